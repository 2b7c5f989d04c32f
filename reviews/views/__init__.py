"""Pages of the review: looks, answers, verdicts; what was measured."""
