"""The daemon: many benches in one process, their instruments kept open, runs taken from anywhere."""
