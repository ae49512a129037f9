"""Simulated shops with known truth, for judging the estimator; each is drawn from one numpy Generator."""
