"""The HTML report and its pictures."""
