"""Simulated shops with known truth, for judging the estimator. Everything drawn comes from one numpy Generator."""
