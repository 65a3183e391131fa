//go:build !unix

package stage

import (
	"errors"
	"os"
)

// A file that is mapped cannot be removed or replaced here, which others rely on.
func mapFile(*os.File, int64) (content []byte, free func() error, err error) {
	return nil, nil, errors.ErrUnsupported
}
