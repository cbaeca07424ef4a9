"""Nights in a room of every kind of place: what is found, how soon, what is said for nothing."""
