"""`python -m pipeline.cli` is the same as `datumlift`."""

from pipeline.cli.main import program

program()
