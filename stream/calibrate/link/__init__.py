"""The load link: bridge, shunt, known weights, zero."""
