"""Offline checks of facial-capture head rigs."""
