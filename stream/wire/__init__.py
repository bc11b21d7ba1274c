"""Bytes to Blocks: text lines and framed blocks."""
