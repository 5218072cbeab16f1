"""The take on disk: its folder, its journal, and how both come through a stop at any instant."""
