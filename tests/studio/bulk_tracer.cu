// GPU build of the bulk path tracer: one thread per pixel, the scene of the block in shared memory.
// Output pointers may be host or device memory. Calls are serialised by a mutex; scratch is kept between calls.
#include <cuda_runtime.h>

#include <mutex>

#include "bulk_tracer.h"

namespace {
struct Args {
    const float *cam, *prims, *boxes, *cubes, *lights;
    const int* counts;
    int B, P, W, H, spp, bounces;
    unsigned seed;
    float* rgb;
    uint8_t* ids;
    uint16_t *st, *st_clear;
    float *seen, *xy;
};

__device__ bt::Scene load_scene(const Args& A, int b, float* sm) {
    bt::Scene S;
    S.nprim = A.counts[3 * b];
    S.ncube = A.counts[3 * b + 1];
    S.nlight = A.counts[3 * b + 2];
    int n[5] = {bt::CAM_N, S.nprim * bt::PRIM_N, S.nprim * bt::BOX_N, S.ncube * bt::CUBE_N, S.nlight * bt::LIGHT_N};
    const float* src[5] = {A.cam + (size_t)b * bt::CAM_N, A.prims + (size_t)b * A.P * bt::PRIM_N,
                           A.boxes + (size_t)b * A.P * bt::BOX_N, A.cubes + (size_t)b * bt::MAX_CUBE * bt::CUBE_N,
                           A.lights + (size_t)b * bt::MAX_LIGHT * bt::LIGHT_N};
    float* p[5];
    int at = 0;
#pragma unroll
    for (int k = 0; k < 5; k++) {
        p[k] = sm + at;
        for (int i = threadIdx.x; i < n[k]; i += blockDim.x) p[k][i] = src[k][i];
        at += n[k];
    }
    __syncthreads();
    S.cam = p[0]; S.prims = p[1]; S.boxes = p[2]; S.cubes = p[3]; S.lights = p[4];
    return S;
}

constexpr int SHARED_FLOATS = bt::CAM_N + bt::MAX_PRIM * (bt::PRIM_N + bt::BOX_N) + bt::MAX_CUBE * bt::CUBE_N + bt::MAX_LIGHT * bt::LIGHT_N;

__global__ void __launch_bounds__(128, 4) render_kernel(Args A) {
    extern __shared__ float sm[];
    int b = blockIdx.z;
    bt::Scene S = load_scene(A, b, sm);
    int lane = threadIdx.x;  // each warp covers 8 x 4 pixels
    int x = blockIdx.x * 16 + (lane & 7) + ((lane >> 5) & 1) * 8, y = blockIdx.y * 8 + ((lane >> 3) & 3) + (lane >> 6) * 4;
    if (x >= A.W || y >= A.H) return;
    size_t i = ((size_t)b * A.H + y) * A.W + x;
    uint8_t id;
    uint16_t s0, s1;
    bt::first_ids(S, x, y, A.W, A.H, id, s0, s1);
    A.ids[i] = id; A.st[i] = s0; A.st_clear[i] = s1;
    if (A.spp > 0) {
        bt::V v = bt::pixel(S, x, y, A.W, A.H, A.spp, A.bounces, A.seed + b * 7919u);
        A.rgb[3 * i] = v.x; A.rgb[3 * i + 1] = v.y; A.rgb[3 * i + 2] = v.z;
    }
}

__global__ void __launch_bounds__(128) seen_kernel(Args A) {
    extern __shared__ float sm[];
    int b = blockIdx.y;
    bt::Scene S = load_scene(A, b, sm);
    int j = blockIdx.x * blockDim.x + threadIdx.x;
    if (j >= S.ncube * 150) return;
    size_t i = (size_t)b * bt::MAX_CUBE * 150 + j;
    float share, xy[2];
    bt::sticker_seen(S, j / 150, j % 150, A.W, A.H, share, xy);
    A.seen[i] = share;
    A.xy[2 * i] = xy[0];
    A.xy[2 * i + 1] = xy[1];
}

struct Scratch {
    void* p = nullptr;
    size_t n = 0;
    int device = -1;
    void* need(size_t bytes, int dev, cudaError_t& e) {
        if (bytes > n || dev != device) {
            if (p) cudaFree(p);
            p = nullptr;
            n = 0;
            e = cudaMalloc(&p, bytes);
            if (e == cudaSuccess) { n = bytes; device = dev; }
        }
        return p;
    }
};
Scratch scratch[12];
std::mutex lock_;

bool on_device(const void* p) {
    cudaPointerAttributes a;
    if (cudaPointerGetAttributes(&a, p) != cudaSuccess) { cudaGetLastError(); return false; }
    return a.type == cudaMemoryTypeDevice;
}
}  // namespace

extern "C" int bt_render(const float* cam, const float* prims, const float* boxes, const float* cubes, const float* lights,
                         const int* counts, int B, int P, int W, int H, int spp, int bounces, unsigned seed, int device,
                         float* rgb, uint8_t* ids, uint16_t* st, uint16_t* st_clear, float* seen, float* xy) {
    if (P > bt::MAX_PRIM) return -1;
    std::lock_guard<std::mutex> hold(lock_);
    cudaError_t e = cudaSetDevice(device);
    if (e != cudaSuccess) return (int)e;
    const size_t px = (size_t)B * H * W, nc = (size_t)B * bt::MAX_CUBE * 150;
    const void* in[6] = {cam, prims, boxes, cubes, lights, counts};
    const size_t in_n[6] = {(size_t)B * bt::CAM_N * 4, (size_t)B * P * bt::PRIM_N * 4, (size_t)B * P * bt::BOX_N * 4,
                            (size_t)B * bt::MAX_CUBE * bt::CUBE_N * 4, (size_t)B * bt::MAX_LIGHT * bt::LIGHT_N * 4, (size_t)B * 12};
    void* din[6];
    for (int k = 0; k < 6; k++) {
        din[k] = scratch[k].need(in_n[k], device, e);
        if (e != cudaSuccess) return (int)e;
        if ((e = cudaMemcpy(din[k], in[k], in_n[k], cudaMemcpyDefault)) != cudaSuccess) return (int)e;
    }
    void* out[6] = {rgb, ids, st, st_clear, seen, xy};
    const size_t out_n[6] = {px * 12, px, px * 2, px * 2, nc * 4, nc * 8};
    void* dout[6];
    bool direct[6];
    for (int k = 0; k < 6; k++) {
        direct[k] = on_device(out[k]);
        dout[k] = direct[k] ? out[k] : scratch[6 + k].need(out_n[k], device, e);
        if (e != cudaSuccess) return (int)e;
    }
    cudaMemset(dout[4], 0, out_n[4]);
    cudaMemset(dout[5], 0, out_n[5]);
    Args A{(float*)din[0], (float*)din[1], (float*)din[2], (float*)din[3], (float*)din[4], (int*)din[5], B, P, W, H, spp, bounces, seed,
           (float*)dout[0], (uint8_t*)dout[1], (uint16_t*)dout[2], (uint16_t*)dout[3], (float*)dout[4], (float*)dout[5]};
    const size_t shared = sizeof(float) * (bt::CAM_N + (size_t)P * (bt::PRIM_N + bt::BOX_N) + bt::MAX_CUBE * bt::CUBE_N + bt::MAX_LIGHT * bt::LIGHT_N);
    static_assert(SHARED_FLOATS * 4 < 48 * 1024, "scene must fit in shared memory");
    render_kernel<<<dim3((W + 15) / 16, (H + 7) / 8, B), 128, shared>>>(A);
    seen_kernel<<<dim3((bt::MAX_CUBE * 150 + 127) / 128, B), 128, shared>>>(A);
    if ((e = cudaGetLastError()) != cudaSuccess) return (int)e;
    for (int k = 0; k < 6; k++)
        if (!direct[k] && (e = cudaMemcpy(out[k], dout[k], out_n[k], cudaMemcpyDefault)) != cudaSuccess) return (int)e;
    return (int)cudaDeviceSynchronize();
}
