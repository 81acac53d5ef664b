"""Knowledge of the trade: formulas, method records, published rule sets and values, each with its source."""
