"""One file per command: parses, calls one workflow, renders. Each is imported only when it is called."""
