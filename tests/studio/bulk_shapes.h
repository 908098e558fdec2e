// Vectors, noise and shapes of the bulk path tracer, for CPU (OpenMP) and GPU (CUDA).
// Units: centimetres, linear RGB. World: z up, origin at the main cube's centre. Camera: x right, y down, z forward.
// A scene is five flat float blocks (camera, prims, boxes, cubes, lights); strides below, offsets in bulk_scene.py.
#pragma once
#include <cmath>
#include <cstdint>
#ifdef __CUDACC__
#define HD __host__ __device__ __forceinline__
#define HDN __host__ __device__ __noinline__
#else
#define HD inline
#define HDN inline
#endif

namespace bt {
constexpr int CAM_N = 64, PRIM_N = 40, BOX_N = 6, CUBE_N = 256, LIGHT_N = 16;
constexpr int MAX_PRIM = 112, MAX_CUBE = 4, MAX_LIGHT = 4;
constexpr float EPS = 2e-3f, FAR = 1e5f, PI = 3.14159265358979f;

struct V { float x, y, z; };
HD V mk(float x, float y, float z) { return {x, y, z}; }
HD V ld(const float* p) { return {p[0], p[1], p[2]}; }
HD V operator+(V a, V b) { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
HD V operator-(V a, V b) { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
HD V operator*(V a, V b) { return {a.x * b.x, a.y * b.y, a.z * b.z}; }
HD V operator*(V a, float s) { return {a.x * s, a.y * s, a.z * s}; }
HD float dot(V a, V b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
HD V cross(V a, V b) { return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x}; }
HD float len(V a) { return sqrtf(dot(a, a)); }
HD V unit(V a) { return a * (1.f / fmaxf(len(a), 1e-20f)); }
HD float clampf(float v, float a, float b) { return fminf(fmaxf(v, a), b); }
HD float mixf(float a, float b, float t) { return a + (b - a) * t; }
HD V mixv(V a, V b, float t) { return a + (b - a) * t; }
HD float smooth(float a, float b, float x) { float t = clampf((x - a) / (b - a), 0.f, 1.f); return t * t * (3.f - 2.f * t); }
HD V rot(const float* m, V v) {  // rows of m times v
    return {m[0] * v.x + m[1] * v.y + m[2] * v.z, m[3] * v.x + m[4] * v.y + m[5] * v.z, m[6] * v.x + m[7] * v.y + m[8] * v.z};
}
HD V rot_t(const float* m, V v) {
    return {m[0] * v.x + m[3] * v.y + m[6] * v.z, m[1] * v.x + m[4] * v.y + m[7] * v.z, m[2] * v.x + m[5] * v.y + m[8] * v.z};
}
HD float safe(float d) { return fabsf(d) < 1e-8f ? (d < 0 ? -1e-8f : 1e-8f) : d; }

// ---- random numbers and noise -------------------------------------------------------------------------------
HD uint32_t pcg(uint32_t v) {
    uint32_t s = v * 747796405u + 2891336453u;
    uint32_t w = ((s >> ((s >> 28u) + 4u)) ^ s) * 277803737u;
    return (w >> 22u) ^ w;
}
struct Rng {
    uint32_t s;
    HD float next() {
        s = s * 747796405u + 2891336453u;
        uint32_t w = ((s >> ((s >> 28u) + 4u)) ^ s) * 277803737u;
        w = (w >> 22u) ^ w;
        return (w >> 8) * (1.f / 16777216.f);
    }
};
HD float h1(int x, int y, int z) {
    return (pcg((uint32_t)x + pcg((uint32_t)y + pcg((uint32_t)z))) >> 8) * (1.f / 16777216.f);
}
HD float noise(float x, float y, float z) {
    float fx = floorf(x), fy = floorf(y), fz = floorf(z);
    int ix = (int)fx, iy = (int)fy, iz = (int)fz;
    float u = x - fx, v = y - fy, w = z - fz;
    u = u * u * (3 - 2 * u); v = v * v * (3 - 2 * v); w = w * w * (3 - 2 * w);
    float a = mixf(mixf(h1(ix, iy, iz), h1(ix + 1, iy, iz), u), mixf(h1(ix, iy + 1, iz), h1(ix + 1, iy + 1, iz), u), v);
    float b = mixf(mixf(h1(ix, iy, iz + 1), h1(ix + 1, iy, iz + 1), u), mixf(h1(ix, iy + 1, iz + 1), h1(ix + 1, iy + 1, iz + 1), u), v);
    return mixf(a, b, w);
}
HD float fbm(float x, float y, float z) {
    return 0.53f * noise(x, y, z) + 0.3f * noise(x * 2.1f + 7, y * 2.1f, z * 2.1f) + 0.17f * noise(x * 4.3f, y * 4.3f + 5, z * 4.3f);
}
HD V hue(float h, float s, float v) {  // linear RGB of a hue 0..1
    h = h - floorf(h);
    float r = clampf(fabsf(h * 6 - 3) - 1, 0, 1), g = clampf(2 - fabsf(h * 6 - 2), 0, 1), b = clampf(2 - fabsf(h * 6 - 4), 0, 1);
    V c = mk(mixf(1, r, s), mixf(1, g, s), mixf(1, b, s)) * v;
    return c * c;
}
HD V loud(float r, float q, int pal) {  // colour of a printed square or note; pal picks the family
    if (pal == 0) {
        int k = (int)(r * 6.999f);
        V c = k == 0 ? mk(.75f, .75f, .72f) : k == 1 ? mk(.72f, .55f, .02f) : k == 2 ? mk(.5f, .02f, .03f)
            : k == 3 ? mk(.75f, .19f, .01f) : k == 4 ? mk(.01f, .07f, .4f) : k == 5 ? mk(.01f, .3f, .06f) : mk(.03f, .03f, .03f);
        return c * (0.75f + 0.35f * q);
    }
    if (pal == 1) return hue(r, 0.3f + 0.6f * q, 0.85f);
    if (pal == 2) return hue(r, 0.25f + 0.2f * q, 0.95f);
    return mk(1, 1, 1) * (0.05f + 0.7f * r);
}

// ---- shapes: distance along the ray, or -1 ------------------------------------------------------------------
HD bool slab(V o, V inv, V lo, V hi, float& tn, float& tf) {
    float a = (lo.x - o.x) * inv.x, b = (hi.x - o.x) * inv.x;
    float c = (lo.y - o.y) * inv.y, d = (hi.y - o.y) * inv.y;
    float e = (lo.z - o.z) * inv.z, f = (hi.z - o.z) * inv.z;
    tn = fmaxf(fmaxf(fminf(a, b), fminf(c, d)), fminf(e, f));
    tf = fminf(fminf(fmaxf(a, b), fmaxf(c, d)), fmaxf(e, f));
    return tn <= tf && tf > 0;
}
// Rounded box, half extents size+rad, convex, so a hit behind the origin counts as none. After the closed form
// published by Inigo Quilez ("rounded box - intersection"); the origin is first moved to the outer box for precision.
HD float round_box(V o, V d, V size, float rad) {
    V inv = mk(1 / safe(d.x), 1 / safe(d.y), 1 / safe(d.z));
    V h = size + mk(rad, rad, rad);
    float tn, tf;
    if (!slab(o, inv, mk(-h.x, -h.y, -h.z), h, tn, tf)) return -1;
    V p = o + d * tn;
    V s = mk(p.x < 0 ? -1.f : 1.f, p.y < 0 ? -1.f : 1.f, p.z < 0 ? -1.f : 1.f);
    V ro = p * s, rd = d * s;
    V q = ro - size;
    float mx = fmaxf(q.x, q.y), my = fmaxf(q.y, q.z), mz = fmaxf(q.z, q.x);
    if (fminf(fminf(mx, my), mz) < 0 || rad <= 0) return tn;
    V dd = rd * rd, oo = q * q, od = q * rd;
    float ra2 = rad * rad, t = 1e20f;
    {
        float b = od.x + od.y + od.z, c = oo.x + oo.y + oo.z - ra2, k = b * b - c;
        if (k > 0) t = -b - sqrtf(k);
    }
    {
        float a = dd.y + dd.z, b = od.y + od.z, c = oo.y + oo.z - ra2, k = b * b - a * c;
        if (k > 0) { k = (-b - sqrtf(k)) / a; if (k >= -1e-5f && k < t && fabsf(ro.x + rd.x * k) < size.x) t = k; }
    }
    {
        float a = dd.z + dd.x, b = od.z + od.x, c = oo.z + oo.x - ra2, k = b * b - a * c;
        if (k > 0) { k = (-b - sqrtf(k)) / a; if (k >= -1e-5f && k < t && fabsf(ro.y + rd.y * k) < size.y) t = k; }
    }
    {
        float a = dd.x + dd.y, b = od.x + od.y, c = oo.x + oo.y - ra2, k = b * b - a * c;
        if (k > 0) { k = (-b - sqrtf(k)) / a; if (k >= -1e-5f && k < t && fabsf(ro.z + rd.z * k) < size.z) t = k; }
    }
    return t > 1e19f ? -1 : t + tn;
}
HD V round_box_normal(V p, V size) {
    V a = mk(fmaxf(fabsf(p.x) - size.x, 0), fmaxf(fabsf(p.y) - size.y, 0), fmaxf(fabsf(p.z) - size.z, 0));
    if (dot(a, a) < 1e-12f) {
        V e = mk(fabsf(p.x) - size.x, fabsf(p.y) - size.y, fabsf(p.z) - size.z);
        a = e.x > e.y && e.x > e.z ? mk(1, 0, 0) : e.y > e.z ? mk(0, 1, 0) : mk(0, 0, 1);
    }
    a = unit(a);
    return mk(p.x < 0 ? -a.x : a.x, p.y < 0 ? -a.y : a.y, p.z < 0 ? -a.z : a.z);
}
HD float sphere(V o, V d, V c, float r) {
    V oc = o - c;
    float b = dot(oc, d);
    V q = oc - d * b;
    float k = r * r - dot(q, q);
    if (k < 0) return -1;
    float t = -b - sqrtf(k);
    return t;
}
// Convex hull of two spheres. n receives the normal.
HD float round_cone(V o, V d, V pa, float ra, V pb, float rb, V& n) {
    V ba = pb - pa;
    float l2 = dot(ba, ba), shift = dot((pa + pb) * 0.5f - o, d);
    o = o + d * shift;  // start near the shape: precision
    V oa = o - pa, ob = o - pb;
    float rr = ra - rb, m1 = dot(ba, oa), m2 = dot(ba, d), m3 = dot(d, oa), m5 = dot(oa, oa), m6 = dot(ob, d), m7 = dot(ob, ob);
    float a2 = l2 - rr * rr, k2 = a2 - m2 * m2, k1 = a2 * m3 - m1 * m2 + m2 * rr * ra;
    float k0 = a2 * m5 - m1 * m1 + m1 * rr * ra * 2.f - l2 * ra * ra;
    float h = k1 * k1 - k0 * k2;
    if (h < 0) return -1;
    float t = (-sqrtf(h) - k1) / safe(k2);
    float y = m1 - ra * rr + t * m2;
    if (y > 0 && y < a2) {
        n = unit((oa + d * t) * a2 - ba * y);
        return t + shift;
    }
    float h1_ = m3 * m3 - m5 + ra * ra, h2_ = m6 * m6 - m7 + rb * rb;
    if (fmaxf(h1_, h2_) < 0) return -1;
    float r = 1e20f;
    if (h1_ > 0) { r = -m3 - sqrtf(h1_); n = unit(oa + d * r); }
    if (h2_ > 0) { float q = -m6 - sqrtf(h2_); if (q < r) { r = q; n = unit(ob + d * q); } }
    return r + shift;
}

struct Hit {
    float t;
    int kind;  // -1 none, 0 prim, 1 cube, 2 light
    int index;
    V n;       // geometric normal, world
    V p;       // local point: prim frame, or cubie frame
    V nl;      // local normal
    int cell;  // cube: ix | iy<<4 | iz<<8, and one more than the face of a raised sticker << 12
};

// ---- prims ---------------------------------------------------------------------------------------------------
// layout: 0 type 1 id 2 texture 3 seed 4-6 centre 7 rounding 8-16 rows world->local (round cone: 8-10 end, 11 radius)
// 17-19 half extents 20-28 colours A B C 29 scale 30,31 texture numbers 32 roughness 33 F0 34 emission 35 bump
HD float hit_prim(const float* q, V o, V d, float tmax, Hit& h, bool shadow) {
    int type = (int)q[0];
    V c = ld(q + 4);
    if (type == 2) {
        V n = mk(0, 0, 1);
        float t = round_cone(o, d, c, q[7], ld(q + 8), q[11], n);
        if (t > EPS && t < tmax) { h.n = n; h.nl = n; h.p = o + d * t - c; return t; }
        return -1;
    }
    V lo = rot(q + 8, o - c), dl = rot(q + 8, d), half = ld(q + 17);
    if (type == 1) {
        float r = q[7];
        V size = half - mk(r, r, r);
        float t = round_box(lo, dl, size, r);
        if (t > EPS && t < tmax) {
            h.p = lo + dl * t;
            if (!shadow) { h.nl = round_box_normal(h.p, size); h.n = rot_t(q + 8, h.nl); }
            return t;
        }
        return -1;
    }
    if (type == 3) {  // ellipsoid
        V s = mk(1 / half.x, 1 / half.y, 1 / half.z), os = lo * s, ds = dl * s;
        float k = len(ds), t = sphere(os, ds * (1 / k), mk(0, 0, 0), 1.f) / k;
        if (t > EPS && t < tmax) {
            h.p = lo + dl * t;
            if (!shadow) { h.nl = unit(h.p * s * s); h.n = rot_t(q + 8, h.nl); }
            return t;
        }
        return -1;
    }
    if (type == 4) {  // upright cup or solid cylinder: outer radius half.x, bore half.y (0: solid), half height half.z
        float ro = half.x, ri = half.y, hz = half.z, best = tmax;
        V n = mk(0, 0, 0);
        float a = fmaxf(dl.x * dl.x + dl.y * dl.y, 1e-12f), b = lo.x * dl.x + lo.y * dl.y, c2 = lo.x * lo.x + lo.y * lo.y;
        float k = b * b - a * (c2 - ro * ro);
        if (k > 0) {
            float t = (-b - sqrtf(k)) / a, z = lo.z + dl.z * t;
            if (t > EPS && t < best && fabsf(z) < hz) { best = t; n = mk(lo.x + dl.x * t, lo.y + dl.y * t, 0); }
        }
        if (ri > 0) {
            k = b * b - a * (c2 - ri * ri);
            if (k > 0) {
                float t = (-b + sqrtf(k)) / a, z = lo.z + dl.z * t;
                if (t > EPS && t < best && z < hz && z > -hz) { best = t; n = mk(-(lo.x + dl.x * t), -(lo.y + dl.y * t), 0); }
            }
        }
        float iz = 1 / safe(dl.z);
        float level = hz * (ri > 0 ? q[31] : 1.f);
        for (int e = 0; e < 3; e++) {
            float z = e == 0 ? hz : e == 1 ? -hz : level;
            float t = (z - lo.z) * iz;
            if (t > EPS && t < best) {
                float x = lo.x + dl.x * t, y = lo.y + dl.y * t, r2 = x * x + y * y;
                bool ok = e == 0 ? (r2 < ro * ro && r2 >= ri * ri) : e == 1 ? r2 < ro * ro : (ri > 0 && r2 < ri * ri);
                if (ok) { best = t; n = mk(0, 0, e == 1 ? -1.f : 1.f); }
            }
        }
        if (best < tmax) {
            h.p = lo + dl * best;
            h.nl = unit(n);
            h.n = rot_t(q + 8, h.nl);
            return best;
        }
    }
    return -1;
}

// ---- cubes ---------------------------------------------------------------------------------------------------
// layout: 0 n 1 half edge 2 half gap 3 bevel radius 4 stickerless 5 sticker half size (of cubie half) 6 sticker corner
// 7 rim strength 8 roughness 9 F0 10-12 plastic 13 plastic roughness 14 id 15 seed 16-18 centre 19-27 rows world->cube
// 28 groups 29 axis 30+4g: lo hi cos sin   50 wear 51 marks 52+4m: sticker kind size angle   64-81 palette
// 82-84 inner colour 85 tile tilt 86 crown 87 thickness of stickers, 0: painted on 96+face*25+row*5+col colour index
HD V turn_axis(V v, int axis, float c, float s) {  // right-handed turn about +axis
    if (axis == 0) return mk(v.x, c * v.y - s * v.z, s * v.y + c * v.z);
    if (axis == 1) return mk(c * v.x + s * v.z, v.y, -s * v.x + c * v.z);
    return mk(c * v.x - s * v.y, s * v.x + c * v.y, v.z);
}
HD V face_n(int f) {
    return f == 0 ? mk(0, 1, 0) : f == 1 ? mk(1, 0, 0) : f == 2 ? mk(0, 0, 1) : f == 3 ? mk(0, -1, 0) : f == 4 ? mk(-1, 0, 0) : mk(0, 0, -1);
}
HD float hit_cube(const float* q, V o, V d, float tmax, Hit& h) {
    V c = ld(q + 16);
    float H = q[1];
    V oc = o - c;
    float b = dot(oc, d);
    V m = oc - d * b;
    float thick = q[87], R = (H + thick) * 1.7625f, k = R * R - dot(m, m);
    if (k < 0) return -1;
    k = sqrtf(k);
    if (-b + k < 0 || -b - k > tmax) return -1;
    float shift = fmaxf(-b - k, 0.f);
    V ol = rot(q + 19, oc + d * shift), dl = rot(q + 19, d);
    int n = (int)q[0], groups = (int)q[28], axis = (int)q[29];
    float s = 2 * H / n, rad = q[3], sz = s * 0.5f - q[2] - rad;
    V size = mk(sz, sz, sz);
    float best = tmax;
    bool found = false;
    for (int g = 0; g < groups; g++) {
        const float* G = q + 30 + 4 * g;
        V o2 = turn_axis(ol, axis, G[2], -G[3]), d2 = turn_axis(dl, axis, G[2], -G[3]);
        d2 = mk(safe(d2.x), safe(d2.y), safe(d2.z));
        float l0 = G[0] * s - H, l1 = G[1] * s - H;
        if (G[0] < 0.5f) l0 -= thick;
        if (G[1] > n - 0.5f) l1 += thick;
        float W = H + thick;
        V lo = mk(axis == 0 ? l0 : -W, axis == 1 ? l0 : -W, axis == 2 ? l0 : -W);
        V hi = mk(axis == 0 ? l1 : W, axis == 1 ? l1 : W, axis == 2 ? l1 : W);
        V inv = mk(1 / d2.x, 1 / d2.y, 1 / d2.z);
        float tn, tf;
        if (!slab(o2, inv, lo, hi, tn, tf)) continue;
        tn = fmaxf(tn, 0.f);
        if (tn + shift >= best) continue;
        V p = o2 + d2 * (tn + 1e-5f);
        int c0 = axis == 0 ? (int)G[0] : 0, c1 = axis == 1 ? (int)G[0] : 0, c2 = axis == 2 ? (int)G[0] : 0;
        int e0 = axis == 0 ? (int)G[1] : n, e1 = axis == 1 ? (int)G[1] : n, e2 = axis == 2 ? (int)G[1] : n;
        int ix = (int)clampf(floorf((p.x + H) / s), (float)c0, (float)e0 - 1);
        int iy = (int)clampf(floorf((p.y + H) / s), (float)c1, (float)e1 - 1);
        int iz = (int)clampf(floorf((p.z + H) / s), (float)c2, (float)e2 - 1);
        V p0 = o2 + d2 * tn;
        for (int step = 0; step < 3 * 5 + 2; step++) {
            V cc = mk((ix + 0.5f) * s - H, (iy + 0.5f) * s - H, (iz + 0.5f) * s - H);
            int outer[3] = {iy == n - 1 ? 0 : iy == 0 ? 3 : -1, ix == n - 1 ? 1 : ix == 0 ? 4 : -1, iz == n - 1 ? 2 : iz == 0 ? 5 : -1};
            bool here = false;
            for (int part = thick > 0 ? 2 : -1; part >= -1; part--) {  // up to three stickers, then the body
                int f = part < 0 ? -1 : outer[part];
                if (part >= 0 && f < 0) continue;
                V at = p0 - cc, half = size;
                float r = rad;
                if (f >= 0) {
                    r = 0.5f * thick;
                    float a = q[5] * s * 0.5f - r;
                    half = mk(part == 1 ? r : a, part == 0 ? r : a, part == 2 ? r : a);
                    at = at - face_n(f) * (sz + rad);
                }
                float t = round_box(at, d2, half, r), tt = t + tn + shift;
                if (t <= -1e-4f || tt <= EPS || tt >= best) continue;
                best = tt;
                found = here = true;
                h.p = p0 - cc + d2 * t;
                h.nl = round_box_normal(at + d2 * t, half);
                h.n = rot_t(q + 19, turn_axis(h.nl, axis, G[2], G[3]));
                h.cell = ix | (iy << 4) | (iz << 8) | ((f + 1) << 12);
            }
            if (here) break;
            float tx = ((ix + (d2.x > 0 ? 1 : 0)) * s - H - o2.x) * inv.x;
            float ty = ((iy + (d2.y > 0 ? 1 : 0)) * s - H - o2.y) * inv.y;
            float tz = ((iz + (d2.z > 0 ? 1 : 0)) * s - H - o2.z) * inv.z;
            if (tx <= ty && tx <= tz) { ix += d2.x > 0 ? 1 : -1; if (ix < c0 || ix >= e0) break; }
            else if (ty <= tz) { iy += d2.y > 0 ? 1 : -1; if (iy < c1 || iy >= e1) break; }
            else { iz += d2.z > 0 ? 1 : -1; if (iz < c2 || iz >= e2) break; }
        }
    }
    return found ? best : -1;
}
// Face of a cubie hit: 0..5 = URFDLB, -1 none; uv in units of the cubie's half pitch; facelet row and column.
HD int cube_face(const float* q, const Hit& h, float& u, float& v, int& row, int& col, float& up) {
    int n = (int)q[0], ix = h.cell & 15, iy = (h.cell >> 4) & 15, iz = (h.cell >> 8) & 15;
    float s2 = 0.5f * 2 * q[1] / n;
    int f = (h.cell >> 12) - 1;
    up = f < 0 ? 0.2f : 1.f;
    if (iy == n - 1 && h.nl.y > up) { f = 0; up = h.nl.y; }
    if (ix == n - 1 && h.nl.x > up) { f = 1; up = h.nl.x; }
    if (iz == n - 1 && h.nl.z > up) { f = 2; up = h.nl.z; }
    if (iy == 0 && -h.nl.y > up) { f = 3; up = -h.nl.y; }
    if (ix == 0 && -h.nl.x > up) { f = 4; up = -h.nl.x; }
    if (iz == 0 && -h.nl.z > up) { f = 5; up = -h.nl.z; }
    if (f < 0) return f;
    int m = n - 1;
    V p = h.p * (1 / s2);
    if (f == 0) { u = p.x; v = p.z; row = iz; col = ix; }
    else if (f == 1) { u = -p.z; v = -p.y; row = m - iy; col = m - iz; }
    else if (f == 2) { u = p.x; v = -p.y; row = m - iy; col = ix; }
    else if (f == 3) { u = p.x; v = -p.z; row = m - iz; col = ix; }
    else if (f == 4) { u = p.z; v = -p.y; row = m - iy; col = iz; }
    else { u = -p.x; v = -p.y; row = m - iy; col = m - ix; }
    return f;
}
HD V face_u(int f) { return f == 1 ? mk(0, 0, -1) : f == 4 ? mk(0, 0, 1) : f == 5 ? mk(-1, 0, 0) : mk(1, 0, 0); }
HD V face_v(int f) { return f == 0 ? mk(0, 0, 1) : f == 3 ? mk(0, 0, -1) : mk(0, -1, 0); }
HD float rounded_square(float u, float v, float a, float r) {
    float x = fabsf(u) - a + r, y = fabsf(v) - a + r;
    float ex = fmaxf(x, 0), ey = fmaxf(y, 0);
    return sqrtf(ex * ex + ey * ey) + fminf(fmaxf(x, y), 0) - r;
}
}  // namespace bt
