"""Whether a bench may judge lots today: its check standards in control and fresh, its instruments' calibration not overdue."""
