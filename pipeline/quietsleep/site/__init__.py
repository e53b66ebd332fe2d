"""The pages: static HTML of one night, a folder per centre, one overview and one dictionary."""
