"""Numba kernels: a mesh seen along a direction as a grid of columns."""
