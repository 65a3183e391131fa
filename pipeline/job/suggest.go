package job

// suggestion says which key was probably meant: the known one with the smallest
// edit distance, where that is at most half of the name's length.
func suggestion(name string, known []string) string {
	best, at := "", len(name)/2+1
	for _, k := range known {
		if e := editDistance(name, k); e < at {
			best, at = k, e
		}
	}
	if best == "" {
		return "the keys here are " + orList(known)
	}
	return "did you mean " + best + "?"
}

// editDistance is the Levenshtein distance in bytes.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			substitute := diagonal
			if a[i] != b[j] {
				substitute++
			}
			diagonal = row[j+1]
			row[j+1] = min(substitute, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
