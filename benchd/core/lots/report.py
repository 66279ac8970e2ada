"""Everything that is said of a lot, as one JSON-ready object: what screens, papers, exports and the API read.

    {"part": {"number", "name", "rule", "risk"},
     "counts": {"tests", "units", "passed", "failed", "undecided", "void", "open", "retested", "retests", "first_passed"},
         units by their last judged verdict; void/open count tests; "retested" units, "retests" further judged tests
     "yield": {"first_pass": SHARE, "final": SHARE},     SHARE: {"part", "low", "high", "count", "of", "method"}; part None for 0 of 0
     "modes": [{"mode", "title", "units", "part", "running"}],    of first tests that did not pass, most frequent first; running sum
     "characteristics": [{
         "id", "title", "measures", "unit", "low", "high",        the limits
         "n", "mean", "sd", "min", "max", "median",               of first judged tests, one a unit, in order of time
         "u",                                                     median standard uncertainty, None if not known
         "beyond": {"low", "high"},                               how many units lie beyond each limit
         "normality": {"test", "statistic", "p", "n", "normal", "says"},
         "capability": {"method": "normal" | "percentiles", "says", "within_sd", "overall_sd",
                        "cp", "cpk", "pp", "ppk": None | {"value", "low", "high", "confidence"}},
         "charts": [CHART], "signals": [{"chart", "rule", "title", "at", "serial", "run_no", "bench", "value", "says"}],
             CHART: {"kind": "individuals" | "moving range" | "x-bar" | "R" | "s", "size", "centre", "low", "high", "sigma",
                     "points": [[place, value], ...] thinned to at most 400 for drawing, "n", "says"}
         "histogram": {"edges", "counts"},
         "drift": {"per_100", "low", "high", "p", "says"},        along the lot, per 100 units, 95 % interval
         "risk": None | {"consumer", "producer", "good", "guard", "says"},   JCGM 106, by the observed spread
         "benches": [{"bench", "n", "mean", "sd", "bias", "low", "high"}],   bias to the mean of the others, 95 %
         "between_benches": None | {"p", "says"}}],
     "risk": {"consumer", "producer", "says"},                    of a whole unit
     "benches": [{"bench", "tests", "units", "first_pass": SHARE}],
     "sampling": None | {"plan", "source", "size", "inspected", "accept", "reject", "found", "decision", "says"},
     "earlier": [{"lot", "closed", "units", "first_pass", "characteristics": [{"id", "mean", "sd", "p_mean", "p_sd", "says"}]}],
     "says": [sentence, ...]}                                     what a reader must know first; the worst first

None stands for what cannot be known (too few units, one-sided limits for cp, no uncertainty), and a sentence says why.
"""
