"""Reading media with PyAV in a confined process of its own: facts and a poster frame."""
