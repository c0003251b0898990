"""Balance: what a line weighs, what each hanger carries, and what a turn or a drawn stop does to it."""
