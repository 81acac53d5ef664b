"""In: nothing of a site. Out: the trade: formulas, method records, published rule sets, values with their source."""
