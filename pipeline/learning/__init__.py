"""Training of the learned classifier and of the model of causes."""
