"""The three levels at which the library's statistical claims are judged on known truth."""
