"""How the tables of the archive came to be what they are, one step a file in ``versions``."""
