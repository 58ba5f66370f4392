"""Many attempts of many learners: learning curves, difficulty, agreement."""
