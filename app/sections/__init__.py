"""Flat pictures: grey values as images, everything else painted over them."""
