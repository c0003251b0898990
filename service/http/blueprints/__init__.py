"""Blueprints: one module per capability, named as the floors below name it."""
