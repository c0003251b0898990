"""Tests of the service; the folders under `unit` mirror `service`."""
