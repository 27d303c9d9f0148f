"""What each treatment is judged against, and what can be compared."""
