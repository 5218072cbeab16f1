"""The links: connections to whatever runs the print, and the pure fold from its messages to events."""
