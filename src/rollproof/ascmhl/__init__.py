"""The ASC Media Hash List: manifests and chain, read and written.

`write_generation` appends to a history, `read_history` reads one, `judged` compares a file just read with it,
`find_inner` finds the histories inside, `write_packing_list` flattens them.
"""
