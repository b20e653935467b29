"""Independent references that Understudy's readers and solvers are checked against."""
