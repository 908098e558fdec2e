// CPU build of the bulk path tracer. See bulk_scene.py for the arrays.
#include "bulk_tracer.h"

static bt::Scene scene_at(int b, int P, const float* cam, const float* prims, const float* boxes, const float* cubes,
                          const float* lights, const int* counts) {
    bt::Scene S;
    S.cam = cam + (size_t)b * bt::CAM_N;
    S.prims = prims + (size_t)b * P * bt::PRIM_N;
    S.boxes = boxes + (size_t)b * P * bt::BOX_N;
    S.cubes = cubes + (size_t)b * bt::MAX_CUBE * bt::CUBE_N;
    S.lights = lights + (size_t)b * bt::MAX_LIGHT * bt::LIGHT_N;
    S.nprim = counts[3 * b];
    S.ncube = counts[3 * b + 1];
    S.nlight = counts[3 * b + 2];
    return S;
}

extern "C" int bt_render(const float* cam, const float* prims, const float* boxes, const float* cubes, const float* lights,
                         const int* counts, int B, int P, int W, int H, int spp, int bounces, unsigned seed, int device,
                         float* rgb, uint8_t* ids, uint16_t* st, uint16_t* st_clear, float* seen, float* xy) {
    (void)device;
    if (P > bt::MAX_PRIM) return -1;
#pragma omp parallel for schedule(dynamic, 4) collapse(2)
    for (int b = 0; b < B; b++)
        for (int y = 0; y < H; y++) {
            bt::Scene S = scene_at(b, P, cam, prims, boxes, cubes, lights, counts);
            for (int x = 0; x < W; x++) {
                size_t i = ((size_t)b * H + y) * W + x;
                bt::first_ids(S, x, y, W, H, ids[i], st[i], st_clear[i]);
                if (spp > 0) {
                    bt::V v = bt::pixel(S, x, y, W, H, spp, bounces, seed + b * 7919u);
                    rgb[3 * i] = v.x; rgb[3 * i + 1] = v.y; rgb[3 * i + 2] = v.z;
                }
            }
        }
    for (int b = 0; b < B; b++) {
        bt::Scene S = scene_at(b, P, cam, prims, boxes, cubes, lights, counts);
        for (int c = 0; c < S.ncube; c++)
            for (int s = 0; s < 150; s++) {
                size_t i = ((size_t)b * bt::MAX_CUBE + c) * 150 + s;
                bt::sticker_seen(S, c, s, W, H, seen[i], xy + 2 * i);
            }
    }
    return 0;
}
