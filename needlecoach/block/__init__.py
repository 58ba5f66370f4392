"""The block itself: a plan to cast by, and the file that says what was cast."""
