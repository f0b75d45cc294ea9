"""Changing things: one function per business step, each one transaction with its ledger entry and outbox rows."""
