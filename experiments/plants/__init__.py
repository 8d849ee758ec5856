"""Adapters to plants and data from outside the project, in the canonical columns of a drive log.

Each module imports its package inside its functions, so that importing an adapter costs nothing and
works where the extra ``external`` is not installed. All of these plants share the force balance
with the estimator: they test the estimation, not the form of the model.
"""
