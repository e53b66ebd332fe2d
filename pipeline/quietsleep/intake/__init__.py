"""Taking in: finding deliveries, judging their tables, reading their signal files."""
