"""The report of a release: one file to read, print and hand on."""
