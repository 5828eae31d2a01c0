"""The bridge's firmware: sources, the image for the ATmega328P, and the files for MicroPython."""
