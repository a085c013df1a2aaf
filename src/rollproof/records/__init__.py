"""The records beside a copy: models, chain, reading and writing them."""
