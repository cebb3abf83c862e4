"""Being written by a helper of its own; the author of dp_rise goes on with the contract suite and phme20."""
