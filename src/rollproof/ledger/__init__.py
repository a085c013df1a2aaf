"""The ledger: what this station remembers. The only room with SQL."""
