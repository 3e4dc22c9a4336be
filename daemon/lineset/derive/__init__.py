"""Derived values, each declared once: inputs, formula, validity, source, and its analytic partial derivatives."""
