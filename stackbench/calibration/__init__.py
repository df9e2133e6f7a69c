"""Master frames, which master serves which sub, and applying them."""
