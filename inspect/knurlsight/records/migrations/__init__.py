"""Migrations of the record store, run by Alembic when a store is opened."""
