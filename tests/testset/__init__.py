"""A generated test set with known truth: cards in pictures, seen through a lens model. Nothing in it is real footage."""
