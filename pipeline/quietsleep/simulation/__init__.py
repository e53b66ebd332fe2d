"""Simulated infants with known truth and the invented demo study. Independent of the analysis."""
