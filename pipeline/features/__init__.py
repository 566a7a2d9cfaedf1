"""What is known about machined faces: one sub-room a question; each lists in its `__init__` what others may use."""
