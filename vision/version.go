package vision

import (
	"traytally/vision/internal/cv"
	"traytally/vision/internal/segment"
)

// Versions returns the versions that a measurement depends on, by name: of the
// OpenCV library in use, and of the network that finds the rice, as it is built
// in, its SHA-256 in hexadecimal.
func Versions() map[string]string {
	return map[string]string{"opencv": cv.Version(), "network": segment.WeightsSHA256()}
}
