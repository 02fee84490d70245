"""The chamber behind one seam: real pins and buses, or a simulated physics."""
