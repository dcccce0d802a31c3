package vision

import "traytally/vision/internal/cv"

// OpenCVVersion returns the version of the OpenCV library in use.
func OpenCVVersion() string { return cv.Version() }
