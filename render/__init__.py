"""Everything that touches files, pictures and people."""
