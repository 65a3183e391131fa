package fuse

// layerSigns does what layerSignsPlain does, a row at a time, with what every amd64 has
// (SSE2).
//
//go:noescape
func layerSigns(b *block, s *[side]signs, layers int)
