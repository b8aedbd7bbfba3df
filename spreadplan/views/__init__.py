"""What is said: rows as quantities, words, tones and sentences. No HTML, no drawing, no request."""
