"""Brings robotic cameras at live shows back to their stored positions."""
