"""Every judgement about footage, without I/O: from facts to a verdict. Imports `models` and nothing else of ours."""
