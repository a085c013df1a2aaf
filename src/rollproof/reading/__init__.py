"""Reading and hashing many files of one tree."""
