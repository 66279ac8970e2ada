"""The visit in the terminal: forms, check list, plan, results. Reads and writes through the door it is given."""
