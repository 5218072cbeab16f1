"""From frames to clips: what to show for how long (pure), and the files that come of it (the edge)."""
