"""The Bell Foundry: three small cards of an invented documentary, and the scripts that build and stage them."""
