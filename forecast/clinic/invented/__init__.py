"""The invented clinic from the inside; what a study needs is in ``forecast.clinic.simulate``."""
