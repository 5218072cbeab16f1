"""What a camera is, the worker process that holds one, and one module for each kind of camera."""
