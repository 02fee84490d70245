"""The host side of a sealed growth chamber: decide, record, show."""
