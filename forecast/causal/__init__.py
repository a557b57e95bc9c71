"""Comparisons of groups and strategies in any long frame, made as fair as the data allow."""
