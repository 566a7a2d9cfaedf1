"""The front door: one file a command, found by its name; no geometry."""
