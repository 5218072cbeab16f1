"""The check before a print: facts gathered from host, cameras and disk, judged, and told as a table."""
