"""Signals: raw samples to channels, gas conditions, volume, breaths, occlusions and shared fits."""
