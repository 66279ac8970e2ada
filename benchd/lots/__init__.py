"""Lots of rebuilt parts, check standards and gauge studies over the journal: who is tested next, and what it comes to."""
