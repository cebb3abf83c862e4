"""Broker connection, payload formats, sample quality, durable spool, drain to the store."""
