"""A recorded copy on a drive: find it, read its history, examine it, extend it."""
