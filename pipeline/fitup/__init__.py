"""What is done with placed parts."""
