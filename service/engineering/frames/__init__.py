"""Frames: a line of pipe as a linear 3-D frame, and what its hangers feel of it.

Six degrees of freedom a node in the order [ux uy uz rx ry rz], global axes, z up, SI units. Displacements
are small and the material is elastic. Elements are straight pipes with shear deformation and circular
bends with their flexibility factor. Everything that is not linear (stops, slots, friction, slack rods)
is a matter of the hangers, which are left out of the frame and meet it at its interface.
"""
