"""Before the crane moves: whether the sensors live, and whether they tell the truth."""
