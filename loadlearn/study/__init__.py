"""What experiments, tests and ``validate`` use: bounds, peers, weighed drives."""
