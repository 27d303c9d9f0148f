"""Settings given as numbers, such as a duty cycle or a light level, and polynomials of them."""
