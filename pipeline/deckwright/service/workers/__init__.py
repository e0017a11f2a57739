"""The processes that run decks: started, spoken to, limited, judged, ended."""
