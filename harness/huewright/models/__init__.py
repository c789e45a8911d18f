"""The data that flows: Card, Footage, Reading, Survey, Correction, Proof. Each frozen, each with a text form."""
