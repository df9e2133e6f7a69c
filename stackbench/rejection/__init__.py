"""Which values along the depth of a pile of frames are kept, and their mean."""
