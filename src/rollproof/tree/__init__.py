"""One walk over a folder, ignore rules, and comparing a listing with what is expected."""
