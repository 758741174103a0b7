"""What is done with captures once they are there: checked for whether they are whole, and handed on in other forms."""
