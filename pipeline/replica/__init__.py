"""A fleet's files at an address, and the copy of them on this machine that a night works on."""
