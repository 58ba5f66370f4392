"""The page for the open day's big screen: short films of attempts, in words that a child understands."""
