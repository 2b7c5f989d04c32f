"""Pages of the learner, books, units, skills and pieces."""
