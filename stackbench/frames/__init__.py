"""A file's facts: header dialects, kinds, setups, lazy pixel access, folder scan."""
