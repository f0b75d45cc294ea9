"""The database backend that `deploy.database` names; Django asks for its module `base`."""
