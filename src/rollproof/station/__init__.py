"""This station for one command: its ledger, its key, and who it writes as."""
