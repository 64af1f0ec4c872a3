"""Parts of the gate's bench: clips with truth, gates to compare, and what is measured."""
