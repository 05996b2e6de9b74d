"""What the screens know and decide, without a screen: pure state and functions, no Textual."""
