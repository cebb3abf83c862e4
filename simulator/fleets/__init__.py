"""Packaged fleet files."""
