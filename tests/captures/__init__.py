"""Real captured motion out of Python packages, written as files that Understudy reads."""
