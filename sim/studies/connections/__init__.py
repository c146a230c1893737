"""Every connection of a switch: losses, aiming, crosstalk and traffic."""
