"""Limits, and the verdicts with reasons that follow from them."""
