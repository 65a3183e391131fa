//go:build !amd64

package normal

func sumSpans(s *neighbourhood, cells []cell, spans []span) { sumSpansPlain(s, cells, spans) }
