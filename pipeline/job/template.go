package job

import (
	_ "embed"
	"strings"
)

//go:embed template.yaml
var template string

// Template returns a commented job sheet for a job of this name.
func Template(name string) string { return strings.ReplaceAll(template, "JOBNAME", name) }
