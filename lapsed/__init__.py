"""Films a 3D print layer by layer with a real camera and stitches the frames at full resolution."""

__version__ = "0.1.0"
