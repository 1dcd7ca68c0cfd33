"""What answers: records of arrays and functions on them. Nothing here learns, and nothing needs scikit-learn."""
