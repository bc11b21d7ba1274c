"""One file per command; importing it is fast and needs no Qt."""
