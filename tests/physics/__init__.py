"""Infants from physics, written without a look at the analysis: nothing here imports it.

`bodies` are what breathes, `ventilation` lets them breathe and be occluded, `sensors` is what a
device makes of it. Units: mL, kPa, s, so resistance is kPa.s/mL.
"""
