"""Find the files of a lake, map a source to the contract's fields, and read a format; nothing is judged here."""
