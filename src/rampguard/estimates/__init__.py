"""What a healthy ramp says about its unit: see docs/estimates.md."""
