package report

// Cautions stand in every report and in every package (CV-12.4: IEC 60825-1 for
// lasers; the UK's Health and Safety Executive, Working under vehicles, for
// raised objects).
func Cautions() []string {
	return []string{
		"Laser scanners: follow the class label and the maker's instructions; never look into the beam.",
		"Objects on stands: rated stands on hard, level ground, never jacks alone; keep out from under a raised object that is not secured.",
		"An object on stands or tyres moves with load, temperature and time; the measurements hold for the state in which it was scanned.",
		"The numbers serve the design of parts. They are no certificate of strength, crash safety or roadworthiness: local codes, approval rules and licensed practitioners decide there.",
		"Scale is that of the scanners and the reference spheres; unless a calibrated length was measured on the day, it is not verified independently.",
	}
}
