"""Offline work on records and traces."""
