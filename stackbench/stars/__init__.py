"""Background, detection, star shapes, and one frame's quality."""
