"""Steps of the lever: where their answers settle and how soon."""
