"""What reaches outside and what is reached there: alerts, hooks, controllers. What fails there stops no show."""
