"""What experiments, tests and ``validate`` use: bounds, peers, consistency, weighed drives."""
