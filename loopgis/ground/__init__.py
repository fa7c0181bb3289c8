"""Heat in the ground: arrays in, arrays out."""

from loopgis.ground.spectrum import response

__all__ = ["response"]
