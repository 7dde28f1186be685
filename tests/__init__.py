"""The suite; it mirrors the packages of the product."""
