"""Keep trained models and coach adaptations as versions, and promote them."""
