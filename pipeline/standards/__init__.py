"""Tables of handbooks and standards as data files, the source written in each."""
