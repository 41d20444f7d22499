"""From mock-up means to a verdict: design, scores, the limit, confirmation, blindness, verdict."""
