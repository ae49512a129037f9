"""Harrow Lane Gearworks, simulated: four sumps with their physics, transmitters on real pseudo-terminals, and people.

Nothing here knows how the agent estimates, and the agent knows nothing of what is here: they meet at serial ports,
and, for the simulated people, at the same inbox that the pages write.
"""
