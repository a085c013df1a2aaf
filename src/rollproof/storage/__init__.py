"""Folder handles, safe file creation and reading from the medium: the only room that makes system calls on drives."""
