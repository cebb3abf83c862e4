"""Shapes that two rooms share in a file, a row or a table; imports nothing else of skidhand."""
