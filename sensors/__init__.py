"""Ways of reading: each turns one kind of source into readings."""
