"""The decisions: when a frame is wanted and what is done about it. Pure: no clock, no socket, no file."""
