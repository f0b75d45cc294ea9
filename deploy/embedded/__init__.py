"""PostgreSQL and Valkey from their wheels, and the supervisor that runs the service on one machine."""
