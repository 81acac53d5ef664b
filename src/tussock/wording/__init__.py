"""In: records of the trade. Out: their words, alike in every output: a rule is worded here and nowhere else."""
