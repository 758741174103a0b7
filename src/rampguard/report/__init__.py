"""Pictures and sheets, drawn from captures."""
