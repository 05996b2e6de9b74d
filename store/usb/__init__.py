"""USB and its limits: offers, power objects, ratings, source windows, efficiency limits, air travel."""
