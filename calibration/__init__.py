"""Curves and fits from what was poured, read and weighed. Pure: values in, values out; knows nothing of the agent."""
