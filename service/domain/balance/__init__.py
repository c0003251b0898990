"""Balance: what a line weighs, what each hanger carries, and what turning a nut or drawing a stop does to it."""
