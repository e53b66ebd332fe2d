"""Simulated recordings with known truth, measured every night before it publishes."""
