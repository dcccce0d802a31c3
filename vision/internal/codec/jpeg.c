// Decoding by libjpeg-turbo with an error manager of our own: what the library
// would patch with grey and mention in a warning ends the call here.
#include "jpeg.h"

#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <jpeglib.h>
#include <jerror.h>

// Passes over a progressive picture, each of which costs time in proportion to
// its pixels however few bytes it has. Encoders write about ten.
#define MOST_SCANS 100

// Bytes after the last pixel and before the next marker that are let pass. Some
// cameras leave a few; damage leaves more.
#define MOST_EXTRA 16

typedef struct {
	struct jpeg_decompress_struct jpeg;
	struct jpeg_error_mgr errors;
	struct jpeg_progress_mgr progress;
	jmp_buf out;
	jpeg_info *info;
	int end;
	unsigned seen; // a bit for each component that a scan held
} reading;

static void refuse(reading *r, int end, const char *why) {
	r->end = end;
	snprintf(r->info->why, sizeof r->info->why, "%s", why);
	longjmp(r->out, 1);
}

static void on_error(j_common_ptr c) {
	char why[JMSG_LENGTH_MAX];
	int end = JPEG_DAMAGED;
	c->err->format_message(c, why);
	switch (c->err->msg_code) {
	case JERR_OUT_OF_MEMORY:
		end = JPEG_NO_MEMORY;
		break;
	case JERR_INPUT_EMPTY:
	case JERR_INPUT_EOF:
	case JWRN_JPEG_EOF:
		end = JPEG_ENDS_EARLY;
		break;
	case JERR_BAD_PRECISION:
		refuse(c->client_data, JPEG_UNSUPPORTED, "not 8 bits per sample");
	case JERR_EMPTY_IMAGE:
		refuse(c->client_data, JPEG_UNSUPPORTED, "its size does not come first");
	case JERR_SOF_UNSUPPORTED:
		refuse(c->client_data, JPEG_UNSUPPORTED, "lossless or hierarchical coding");
	case JERR_ARITH_NOTIMPL:
	case JERR_COMPONENT_COUNT:
	case JERR_CONVERSION_NOTIMPL:
	case JERR_IMAGE_TOO_BIG:
		end = JPEG_UNSUPPORTED;
		break;
	}
	refuse(c->client_data, end, why);
}

static void on_message(j_common_ptr c, int level) {
	if (level >= 0)
		return; // tracing
	switch (c->err->msg_code) {
	case JWRN_ADOBE_XFORM: // these four touch no pixel
	case JWRN_BOGUS_ICC:
	case JWRN_JFIF_MAJOR:
	case JWRN_NOT_SEQUENTIAL:
		return;
	case JWRN_EXTRANEOUS_DATA:
		if (c->err->msg_parm.i[0] <= MOST_EXTRA)
			return;
	}
	on_error(c);
}

// on_progress is called often while the scans of a picture are collected.
static void on_progress(j_common_ptr c) {
	reading *r = c->client_data;
	if (r->jpeg.input_scan_number > MOST_SCANS)
		refuse(r, JPEG_UNSUPPORTED, "more than 100 scans");
	for (int i = 0; i < r->jpeg.comps_in_scan; i++)
		r->seen |= 1u << r->jpeg.cur_comp_info[i]->component_index;
}

static void read_header(reading *r) {
	jpeg_info *info = r->info;
	j_decompress_ptr c = &r->jpeg;
	jpeg_read_header(c, TRUE);
	if (c->num_components == 4)
		refuse(r, JPEG_UNSUPPORTED, "CMYK");
	if (c->num_components != 1 && c->num_components != 3)
		refuse(r, JPEG_UNSUPPORTED, "its number of colours");
	if (c->arith_code) // which damage does not disturb
		refuse(r, JPEG_UNSUPPORTED, "arithmetic coding");
	info->width = c->image_width;
	info->height = c->image_height;
	if (c->saw_JFIF_marker) {
		info->density_unit = c->density_unit;
		info->density_x = c->X_density;
		info->density_y = c->Y_density;
	}
	info->coefficients = 0;
	if (jpeg_has_multiple_scans(c))
		for (int i = 0; i < c->num_components; i++)
			info->coefficients += sizeof(JBLOCK) * (double)c->comp_info[i].width_in_blocks * c->comp_info[i].height_in_blocks;
}

static void read_pixels(reading *r, unsigned char *bgr, int width, int height) {
	j_decompress_ptr c = &r->jpeg;
	c->out_color_space = JCS_EXT_BGR;
	jpeg_start_decompress(c);
	if ((int)c->output_width != width || (int)c->output_height != height || c->output_components != 3)
		refuse(r, JPEG_DAMAGED, "two sizes");
	if (jpeg_has_multiple_scans(c) && r->seen != (1u << c->num_components) - 1)
		refuse(r, JPEG_DAMAGED, "a colour is missing");
	while (c->output_scanline < c->output_height) {
		JSAMPROW row = bgr + 3 * (size_t)width * c->output_scanline;
		jpeg_read_scanlines(c, &row, 1);
	}
	jpeg_finish_decompress(c);
}

int jpeg_read(const unsigned char *data, size_t size, jpeg_info *info, unsigned char *bgr) {
	reading r;
	int width = info->width, height = info->height;
	memset(&r, 0, sizeof r);
	memset(info, 0, sizeof *info);
	r.info = info;
	r.jpeg.err = jpeg_std_error(&r.errors);
	r.errors.error_exit = on_error;
	r.errors.emit_message = on_message;
	r.jpeg.client_data = &r;
	if (setjmp(r.out)) {
		jpeg_destroy_decompress(&r.jpeg);
		return r.end;
	}
	jpeg_create_decompress(&r.jpeg);
	r.progress.progress_monitor = on_progress;
	r.jpeg.progress = &r.progress;
	jpeg_mem_src(&r.jpeg, data, size);
	read_header(&r);
	if (bgr)
		read_pixels(&r, bgr, width, height);
	jpeg_destroy_decompress(&r.jpeg);
	return JPEG_DONE;
}
