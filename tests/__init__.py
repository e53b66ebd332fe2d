"""Tests of the whole; a package, so that no other one called tests is taken for it."""
