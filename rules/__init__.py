"""What the climate of a room means: pure rules, no clock, no files."""
