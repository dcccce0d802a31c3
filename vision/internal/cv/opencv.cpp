// The few functions of OpenCV that are used, each with its exceptions caught:
// what OpenCV asserts, and memory that it is not given, come back as errors.
#include "opencv.h"

#include <cstring>
#include <dlfcn.h>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

template <class F> static char *caught(F f) {
	try {
		f();
		return nullptr;
	} catch (const std::exception &e) {
		return strdup(e.what());
	} catch (...) {
		return strdup("OpenCV failed");
	}
}

// OpenCV's core brings a LAPACK, of which nothing here is called. Where that is
// OpenBLAS, loading it starts a thread for each further core, which spins for a
// tenth of a second: they end here, by what OpenBLAS does before a fork.
__attribute__((constructor)) static void end_idle_threads() {
	if (void *end = dlsym(RTLD_DEFAULT, "blas_thread_shutdown_"))
		reinterpret_cast<int (*)()>(end)();
}

// over returns a matrix over memory that stays the caller's.
static cv::Mat over(const void *p, int width, int height, int type) {
	return cv::Mat(height, width, type, const_cast<void *>(p));
}

// same fails where OpenCV did not write into the memory it was given.
static void same(const cv::Mat &m, const void *p) {
	CV_Assert(m.data == p);
}

const char *opencv_version(void) { return CV_VERSION; }

char *opencv_enlarge(const uint8_t *src, int width, int height, uint8_t *dst, int dst_width, int dst_height) {
	return caught([&] {
		cv::Mat out = over(dst, dst_width, dst_height, CV_8UC3);
		cv::resize(over(src, width, height, CV_8UC3), out, out.size(), 0, 0, cv::INTER_CUBIC);
		same(out, dst);
	});
}

char *opencv_remap(const uint8_t *src, int width, int height, uint8_t *dst, int dst_width, int dst_height, const float *xs, const float *ys) {
	return caught([&] {
		cv::Mat out = over(dst, dst_width, dst_height, CV_8UC3);
		cv::remap(over(src, width, height, CV_8UC3), out, over(xs, dst_width, dst_height, CV_32F), over(ys, dst_width, dst_height, CV_32F),
			cv::INTER_CUBIC, cv::BORDER_CONSTANT, cv::Scalar());
		same(out, dst);
	});
}
