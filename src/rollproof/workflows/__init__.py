"""One module for each job a person does; plain inputs in, a result model out."""
