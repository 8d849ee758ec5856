"""The estimator and the strategy's look-up as a step for a controller: C99 and an FMI 3.0 unit."""
