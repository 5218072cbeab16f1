"""The bridge: a small process on the serial line between host and printer, and the daemon's link to it."""
