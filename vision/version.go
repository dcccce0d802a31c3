package vision

import (
	"traytally/vision/internal/cv"
	"traytally/vision/internal/segment"
)

// OpenCVVersion returns the version of the OpenCV library in use.
func OpenCVVersion() string { return cv.Version() }

// NetworkVersion returns the SHA-256 of the network that finds the rice, as it
// is built in, in hexadecimal.
func NetworkVersion() string { return segment.WeightsSHA256() }

// Versions returns the versions that a measurement depends on, by name.
func Versions() map[string]string {
	return map[string]string{"opencv": OpenCVVersion(), "network": NetworkVersion()}
}
