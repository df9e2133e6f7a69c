"""From star patterns to a transform, and resampling onto the grid."""
