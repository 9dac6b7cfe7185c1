"""The pages of the desk and what they are made of."""
