"""The stages and media that come with deckwright; each uses the public plugin API only."""
