"""The researcher's side: findings without names, and how well the release does."""
