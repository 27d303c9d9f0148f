"""From estimates to tests: small-sample methods, the default rule, joint limits."""
