"""Triangle arrays and what can be done to them; knows no feature. Each sub-room's door lists what others may use."""
