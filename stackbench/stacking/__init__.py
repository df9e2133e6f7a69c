"""Scaling, weights and the band engine that makes one channel's stack."""
