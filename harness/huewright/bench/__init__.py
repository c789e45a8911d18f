"""What the bench is made of: the work, the peers that do the same, the timing, and the bar picture."""
