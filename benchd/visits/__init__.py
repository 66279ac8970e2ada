"""A visit from the complaint to the proof: its store in the journal, its service, and the doors to it."""
