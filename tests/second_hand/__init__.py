"""Published outcomes computed once more by another hand: numpy, textbook formulas, raw files."""
