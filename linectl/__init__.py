"""Line controller for a greenhouse gutter line."""

__version__ = "0.1.0"
