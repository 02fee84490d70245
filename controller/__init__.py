"""The host side of a sealed growth chamber: decide, record, show."""

__version__ = "0.1.0"
