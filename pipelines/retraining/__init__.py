"""Learn coach adaptations from verdicts, and what verdicts show of the flags."""
