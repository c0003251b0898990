"""Frames: a line of pipe as a linear 3-D frame, and what its hangers feel of it.

Six degrees of freedom a node in the order [ux uy uz rx ry rz], global axes, z up, SI units. Displacements
are small and the material is elastic. Elements are straight pipes with shear deformation and circular
bends with their flexibility factor. Everything that is not linear (stops, slots, friction, slack rods)
is a matter of the hangers, which are left out of the frame and meet it at its interface.

Left out: large displacements and the swing of rods, stiffening of bends by pressure and by flanges near
them, gaps and friction of guides, local flexibility of branches and nozzles, and anything that depends on
time.

sections: what a tube is to a beam. elements, bends: stiffness and loads of all elements of a kind at once.
frame: nodes, elements, restraints, load cases. holding: axes in which whatever is held is one degree of
freedom. chains: runs of elements between key nodes, eliminated at once. solution: factorise, condense to
the hangers, recover displacements and forces.
"""
