"""The ASC Media Hash List: manifests and chain, read and written."""
