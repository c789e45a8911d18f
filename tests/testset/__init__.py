"""A generated test set with known truth: cards in pictures, seen through a lens model. No real footage."""
