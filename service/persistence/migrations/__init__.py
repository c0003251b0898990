"""Migrations of the tables, run by `service.persistence.migrate` and never by hand."""
