"""What each column is: evidence, grouping, physics, units, signs, completeness, questions."""
