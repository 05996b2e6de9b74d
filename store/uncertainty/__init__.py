"""Accuracy, budgets, degrees of freedom, repeats, the decision rule. Knows numbers only."""
