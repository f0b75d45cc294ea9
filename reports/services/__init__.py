"""What reports changes: certificates and background work."""
