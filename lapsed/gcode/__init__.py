"""Reading, timing and writing G-code: functions from values to values."""
