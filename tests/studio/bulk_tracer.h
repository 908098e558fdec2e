// Path tracer for bulk pictures of cubes: one header for CPU (OpenMP) and GPU (CUDA).
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
    int cell;  // cube: ix | iy<<4 | iz<<8
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
// 82-84 inner colour 85 tile tilt 86 crown 96+face*25+row*5+col colour index
HD V turn_axis(V v, int axis, float c, float s) {  // right-handed turn about +axis
    if (axis == 0) return mk(v.x, c * v.y - s * v.z, s * v.y + c * v.z);
    if (axis == 1) return mk(c * v.x + s * v.z, v.y, -s * v.x + c * v.z);
    return mk(c * v.x - s * v.y, s * v.x + c * v.y, v.z);
}
HD float hit_cube(const float* q, V o, V d, float tmax, Hit& h) {
    V c = ld(q + 16);
    float H = q[1];
    V oc = o - c;
    float b = dot(oc, d);
    V m = oc - d * b;
    float R = H * 1.7625f, k = R * R - dot(m, m);
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
        V lo = mk(axis == 0 ? l0 : -H, axis == 1 ? l0 : -H, axis == 2 ? l0 : -H);
        V hi = mk(axis == 0 ? l1 : H, axis == 1 ? l1 : H, axis == 2 ? l1 : H);
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
            float t = round_box(p0 - cc, d2, size, rad);
            if (t > -1e-4f) {
                float tt = t + tn + shift;
                if (tt > EPS && tt < best) {
                    best = tt;
                    found = true;
                    V pl = p0 - cc + d2 * t;
                    h.p = pl;
                    h.nl = round_box_normal(pl, size);
                    h.n = rot_t(q + 19, turn_axis(h.nl, axis, G[2], G[3]));
                    h.cell = ix | (iy << 4) | (iz << 8);
                    break;
                }
            }
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
    int f = -1;
    up = 0.2f;
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
HD V face_n(int f) {
    return f == 0 ? mk(0, 1, 0) : f == 1 ? mk(1, 0, 0) : f == 2 ? mk(0, 0, 1) : f == 3 ? mk(0, -1, 0) : f == 4 ? mk(-1, 0, 0) : mk(0, 0, -1);
}
HD float rounded_square(float u, float v, float a, float r) {
    float x = fabsf(u) - a + r, y = fabsf(v) - a + r;
    float ex = fmaxf(x, 0), ey = fmaxf(y, 0);
    return sqrtf(ex * ex + ey * ey) + fminf(fmaxf(x, y), 0) - r;
}

struct Surface { V albedo; float rough, f0; V emit; V n; int sticker; };

HD float mark_shape(int kind, float u, float v) {  // 1 inside the printed mark; u, v about -1..1
    float r = sqrtf(u * u + v * v), a = atan2f(v, u);
    if (kind == 0) return (r < 1 && r > 0.62f) ? 1.f : 0.f;
    if (kind == 1) return (fabsf(u) < 0.2f && fabsf(v) < 1) || (fabsf(v) < 0.2f && fabsf(u) < 1) ? 1.f : 0.f;
    if (kind == 2) return r < 0.6f + 0.35f * cosf(5 * a) ? 1.f : 0.f;
    if (kind == 3) return (fabsf(v) < 1 && fabsf(u) < 0.8f && (v > 0.7f || u < -0.5f || fabsf(v) < 0.15f)) ? 1.f : 0.f;
    if (kind == 4) return (v > -0.8f && fabsf(u) < (0.8f - v) * 0.6f && !(v > -0.45f && v < 0.2f && fabsf(u) < 0.2f)) ? 1.f : 0.f;
    return noise(u * 3 + 11, v * 3, 3.f) * (1.2f - r) > 0.42f ? 1.f : 0.f;
}
HD void shade_cube(const float* q, const Hit& h, Surface& s) {
    float u = 0, v = 0, up;
    int row = 0, col = 0;
    int f = cube_face(q, h, u, v, row, col, up);
    s.sticker = 0;
    s.albedo = ld(q + 10);
    s.rough = q[13];
    s.f0 = q[9];
    s.emit = mk(0, 0, 0);
    s.n = h.n;
    int seed = (int)q[15];
    float grain = noise(h.p.x * 9, h.p.y * 9, h.p.z * 9 + seed);
    if (f < 0) { s.albedo = ld(q + 82) * (0.85f + 0.3f * grain); return; }
    int id = f * 25 + row * 5 + col;
    bool less = q[4] > 0.5f;
    float sd;
    bool on;
    if (less) {
        sd = -1;
        on = up > 0.3f;
        if (!on) { s.albedo = ld(q + 82); return; }
    } else {
        sd = rounded_square(u, v, q[5], q[6] * q[5]);
        on = sd < 0 && up > 0.75f;
    }
    if (!on) { s.albedo = s.albedo * (0.9f + 0.2f * grain); return; }
    s.sticker = 1 + id;
    V c = ld(q + 64 + 3 * (int)q[96 + id]);
    c = c * (0.96f + 0.08f * h1(id, seed, 5));
    float wear = q[50];
    if (wear > 0) {
        float w = noise(u * 2.3f + id * 3.1f, v * 2.3f, seed + 0.5f) + 0.5f * noise(u * 9.f, v * 9.f + id, seed + 1.5f);
        c = c * (1 - wear * 0.5f * smooth(0.75f, 1.2f, w));
        float edge = less ? smooth(0.80f, 0.98f, fmaxf(fabsf(u), fabsf(v))) : smooth(-0.12f, 0.f, sd);
        float chip = noise(u * 6 + 3.3f * id, v * 6, seed + 2.5f);
        if (chip < wear * 0.55f * edge) c = mixv(c, less ? mk(.6f, .6f, .58f) : ld(q + 10), 0.8f);
    }
    int marks = (int)q[51];
    for (int k = 0; k < marks; k++) {
        const float* M = q + 52 + 4 * k;
        if ((int)M[0] == id) {
            float ca = cosf(M[3]), sa = sinf(M[3]), a = (ca * u - sa * v) / M[2], b = (sa * u + ca * v) / M[2];
            if (fabsf(a) < 1.2f && fabsf(b) < 1.2f && mark_shape((int)M[1], a, b) > 0.5f) {
                float lum = dot(c, mk(.3f, .6f, .1f));
                c = lum > 0.25f ? mk(.04f, .04f, .05f) : mk(.6f, .6f, .6f);
            }
        }
    }
    s.albedo = c;
    s.rough = q[8];
    // tiles sit slightly tilted and crowned, and stickers have a rim: only the normal shows it
    V nl = h.nl, fu = face_u(f), fv = face_v(f);
    float tu = (h1(id, seed, 8) - 0.5f) * q[85] + u * q[86], tv = (h1(id, seed, 9) - 0.5f) * q[85] + v * q[86];
    if (!less) {
        float rim = smooth(-0.09f, 0.f, sd) * q[7];
        float m = fmaxf(fabsf(u), fabsf(v));
        if (fabsf(u) > m - 0.04f) tu += rim * (u < 0 ? -1 : 1);
        if (fabsf(v) > m - 0.04f) tv += rim * (v < 0 ? -1 : 1);
    }
    nl = unit(nl + fu * tu + fv * tv);
    // back to the world: the turn of the group is that between h.nl and h.n; rebuild it from the group
    int axis = (int)q[29], idx = axis == 0 ? (h.cell & 15) : axis == 1 ? (h.cell >> 4) & 15 : (h.cell >> 8) & 15, groups = (int)q[28];
    for (int g = 0; g < groups; g++) {
        const float* G = q + 30 + 4 * g;
        if (idx >= (int)G[0] && idx < (int)G[1]) nl = turn_axis(nl, axis, G[2], G[3]);
    }
    s.n = rot_t(q + 19, nl);
}

// ---- textures ------------------------------------------------------------------------------------------------
HD void shade_prim(const float* q, const Hit& h, Surface& s) {
    int tex = (int)q[2], seed = (int)q[3], type = (int)q[0];
    V A = ld(q + 20), B = ld(q + 23), C = ld(q + 26), half = ld(q + 17);
    float k = q[29], a = q[30], b = q[31];
    s.albedo = A;
    s.rough = q[32];
    s.f0 = q[33];
    s.emit = mk(0, 0, 0);
    s.n = h.n;
    s.sticker = 0;
    V p = h.p, n = h.nl;
    float ax = fabsf(n.x), ay = fabsf(n.y), az = fabsf(n.z), sx = (float)(seed % 97);
    float u, v, hu, hv;
    if (az >= ax && az >= ay) { u = p.x; v = p.y; hu = half.x; hv = half.y; }
    else if (ax >= ay) { u = p.y; v = p.z; hu = half.y; hv = half.z; }
    else { u = p.x; v = p.z; hu = half.x; hv = half.z; }
    bool front = n.z > 0.5f && type == 1;
    if (tex == 1) {  // wood
        float plank = a > 0 ? floorf(v / a) : 0.f;
        float ou = u + 31.7f * h1((int)plank, seed, 1);
        float g = fbm(ou * 0.06f * k, v * 1.1f * k + plank * 9, sx), fine = noise(ou * 0.5f * k, v * 9 * k, sx + 3);
        float ring = 0.5f + 0.5f * sinf((v * 0.8f * k + 5 * g) * 6.3f);
        float w = clampf(0.55f * g + 0.25f * ring + 0.3f * fine - 0.05f, 0, 1);
        s.albedo = mixv(A, B, w) * (0.9f + 0.2f * h1((int)plank, seed, 2));
        if (a > 0 && fabsf(v / a - plank - 0.5f) > 0.49f) s.albedo = s.albedo * 0.35f;
    } else if (tex == 2) {  // cloth
        float w = sinf(u * 14 * k) * sinf(v * 14 * k);
        float g = noise(u * 7 * k, v * 7 * k, sx) * 0.6f + noise(u * 19 * k, v * 19 * k, sx) * 0.4f;
        s.albedo = mixv(A, B, clampf(0.5f + 0.25f * w + (g - 0.5f) * 0.9f, 0, 1)) * (0.85f + 0.3f * fbm(u * 0.12f, v * 0.12f, sx));
    } else if (tex == 3) {  // checker
        s.albedo = (((int)floorf(u * k + 0.01f) + (int)floorf(v * k + 0.01f) + (type != 1 ? (int)floorf(p.z * k) : 0)) & 1) ? A : B;
    } else if (tex == 4) {  // stripes
        float w = (u * cosf(a) + v * sinf(a)) * k;
        w = w - floorf(w);
        s.albedo = w < b ? B : A;
    } else if (tex == 5 || tex == 10) {  // ruled paper, or printed text
        if (front) {
            float line = v * k, fr = line - floorf(line);
            int L = (int)floorf(line);
            bool inside = fabsf(u) < hu * 0.86f && fabsf(v) < hv * 0.88f;
            if (tex == 5) { if (fr < a && (b < 0.5f || inside)) s.albedo = C; }
            else if (inside && fr < 0.45f && h1(L, seed, 4) > 0.15f) {
                float x = (u + hu) * k * 0.9f;
                bool word = noise(x, L * 7.3f, sx) > 0.42f && u < hu * (0.86f - 0.8f * (h1(L, seed, 6) > 0.75f ? h1(L, seed, 7) : 0.f));
                if (word) s.albedo = mixv(A, C, 0.45f + 0.5f * noise(x * 7, v * k * 6, sx));
            }
        }
    } else if (tex == 6) {  // flat grid of coloured squares: a by b cells, k = filled share
        if (front) {
            int na = (int)a, nb = (int)b;
            float cu = (u / hu * 0.5f + 0.5f) * 1.06f - 0.03f, cv = (v / hv * 0.5f + 0.5f) * 1.06f - 0.03f;
            if (cu > 0 && cv > 0 && cu < 1 && cv < 1) {
                float fu = cu * na, fv = cv * nb;
                int i = (int)fu, j = (int)fv;
                float d = rounded_square((fu - i) * 2 - 1, (fv - j) * 2 - 1, k, k * (float)(seed % 5) * 0.08f);
                if (d < 0) s.albedo = loud(h1(i, j, seed), h1(i, j, seed + 1), (seed / 5) % 4);
            }
        }
    } else if (tex == 7) {  // screen with icons
        if (front && fabsf(u) < hu * 0.96f && fabsf(v) < hv * 0.94f) {
            V bg = mixv(B, C, clampf(0.5f + 0.4f * v / hv + 0.3f * (fbm(u * 3 / hu, v * 3 / hv, sx) - 0.5f), 0, 1));
            float fu = (u / hu * 0.5f + 0.5f) * a, fv = (v / hv * 0.5f + 0.5f) * b;
            int i = (int)floorf(fu), j = (int)floorf(fv);
            float x = (fu - i) * 2 - 1, y = (fv - j) * 2 - 1;
            if (h1(i, j, seed) > 0.25f && rounded_square(x, y, 0.6f, 0.2f) < 0) {
                bg = hue(h1(i, j, seed + 3), 0.3f + 0.6f * h1(i, j, seed + 4), 0.9f);
                if (sqrtf(x * x + y * y) < 0.3f) bg = mk(.9f, .9f, .9f);
            }
            s.emit = bg * q[34];
            s.albedo = mk(.02f, .02f, .02f);
        } else s.albedo = A;
        return;
    } else if (tex == 8) {  // speckle
        float g = noise(p.x * 6 * k, p.y * 6 * k, p.z * 6 * k + sx);
        s.albedo = mixv(A, B, smooth(0.55f, 0.75f, g) * 0.8f);
    } else if (tex == 9) {  // skin
        V w = p + mk(sx, 0, 0);
        float g = fbm(w.x * 0.7f, w.y * 0.7f, w.z * 0.7f), f2 = noise(w.x * 9, w.y * 9, w.z * 9);
        s.albedo = mixv(A, B, clampf(g * 1.4f - 0.3f, 0, 1)) * (0.92f + 0.16f * f2);
    } else if (tex == 11) {  // blobs
        float g = fbm(u * k + sx, v * k, type == 1 ? sx : p.z * k);
        s.albedo = g < 0.42f ? A : g < 0.56f ? B : C;
    } else if (tex == 12) {  // keys
        if (front) {
            float fu = u * k, fv = v * k;
            int j = (int)floorf(fv);
            fu += 0.37f * j;
            int i = (int)floorf(fu);
            float x = (fu - i) * 2 - 1, y = (fv - j) * 2 - 1;
            if (rounded_square(x, y, 0.86f, 0.2f) < 0) {
                s.albedo = B;
                if (fabsf(x + 0.3f) < 0.25f && fabsf(y - 0.3f) < 0.25f && noise(x * 5 + i * 3, y * 5, (float)j) > 0.5f) s.albedo = C;
            }
        }
    } else if (tex == 13) {  // bricks or tiles
        float fv = v * k * 2, j = floorf(fv), fu = u * k + (a > 0.5f ? 0.5f * (((int)j) & 1) : 0), i = floorf(fu);
        float e = fminf(fminf(fu - i, 1 - fu + i), fminf(fv - j, 1 - fv + j) * 0.5f);
        s.albedo = e < 0.03f ? B : mixv(A, C, h1((int)i, (int)j, seed) * b) * (0.85f + 0.3f * noise(u * 3, v * 3, sx));
    } else if (tex == 14) {  // plaid
        float x = u * k - floorf(u * k), y = v * k - floorf(v * k);
        float w = 0.5f * (x < a ? 1.f : 0.f) + 0.5f * (y < a ? 1.f : 0.f);
        s.albedo = mixv(A, B, w);
        if (fabsf(x - b) < 0.03f || fabsf(y - b) < 0.03f) s.albedo = C;
    } else if (tex == 15) {  // cup: inside and fluid
        if (n.z > 0.5f && p.z < half.z * 0.98f && half.y > 0) s.albedo = C;
        else if (n.z < 0.5f && p.x * p.x + p.y * p.y < half.y * half.y * 1.02f) s.albedo = B;
    } else {
        s.albedo = A * (0.93f + 0.14f * fbm(p.x * 0.3f + sx, p.y * 0.3f, p.z * 0.3f));
    }
    if (q[34] > 0) s.emit = s.albedo * q[34];
    if (q[35] > 0) {  // bump
        float f = 5.f, e = 0.05f;
        float g0 = noise(p.x * f, p.y * f, p.z * f);
        V g = mk(noise((p.x + e) * f, p.y * f, p.z * f) - g0, noise(p.x * f, (p.y + e) * f, p.z * f) - g0, noise(p.x * f, p.y * f, (p.z + e) * f) - g0);
        if (type != 2) g = rot_t(q + 8, g);
        s.n = unit(s.n - g * (q[35] / e * 0.1f));
    }
}

// ---- scene ---------------------------------------------------------------------------------------------------
struct Scene {
    const float *cam, *prims, *boxes, *cubes, *lights;
    int nprim, ncube, nlight;
};
HDN bool trace(const Scene& S, V o, V d, float tmax, Hit& h, bool shadow, int only_cubes) {
    h.t = tmax;
    h.kind = -1;
    V inv = mk(1 / safe(d.x), 1 / safe(d.y), 1 / safe(d.z));
    Hit g;
    for (int i = 0; i < S.ncube; i++) {
        float t = hit_cube(S.cubes + i * CUBE_N, o, d, h.t, g);
        if (t > 0) {
            h = g; h.t = t; h.kind = 1; h.index = i;
            if (shadow) return true;
        }
        if (only_cubes == 2) break;
    }
    if (only_cubes) return h.kind >= 0;
    for (int i = 0; i < S.nprim; i++) {
        const float* bx = S.boxes + i * BOX_N;
        float tn, tf;
        if (!slab(o, inv, ld(bx), ld(bx + 3), tn, tf) || tn >= h.t) continue;
        float t = hit_prim(S.prims + i * PRIM_N, o, d, h.t, g, shadow);
        if (t > 0) {
            h = g; h.t = t; h.kind = 0; h.index = i;
            if (shadow) return true;
        }
    }
    return h.kind >= 0;
}
// lights: 0 type (0 sphere, 1 rectangle) 1-3 centre 4-6 half side u 7-9 half side v 10-12 radiance 13 radius 14 pick probability
HD float hit_light(const float* L, V o, V d) {
    if (L[0] < 0.5f) return sphere(o, d, ld(L + 1), L[13]);
    V u = ld(L + 4), v = ld(L + 7), n = unit(cross(u, v));
    float t = dot(ld(L + 1) - o, n) / safe(dot(d, n));
    V p = o + d * t - ld(L + 1);
    return fabsf(dot(p, u)) < dot(u, u) && fabsf(dot(p, v)) < dot(v, v) ? t : -1;
}
HD V sky(const float* c, V d) {
    V L = d.z > 0 ? mixv(ld(c + 21), ld(c + 18), powf(fminf(d.z, 1.f), 0.6f)) : mixv(ld(c + 21), ld(c + 24), smooth(0.f, 0.35f, -d.z));
    for (int k = 0; k < 2; k++) {
        const float* P = c + 27 + 7 * k;
        float w = smooth(P[3], P[3] + 0.08f, dot(d, ld(P)));
        if (w > 0) L = L + ld(P + 4) * w;
    }
    return L;
}
HD float ggx_d(float nh, float a2) { float k = nh * nh * (a2 - 1) + 1; return a2 / (PI * k * k); }
HD void basis(V n, V& t, V& b) {
    float s = n.z < 0 ? -1.f : 1.f, a = -1 / (s + n.z), c = n.x * n.y * a;
    t = mk(1 + s * n.x * n.x * a, s * c, -s * n.x);
    b = mk(c, s + n.y * n.y * a, -n.y);
}

HDN V radiance(const Scene& S, V o, V d, int bounces, Rng& rng) {
    V L = mk(0, 0, 0), T = mk(1, 1, 1);
    bool see_lights = true;
    for (int bounce = 0; bounce < bounces; bounce++) {
        Hit h;
        trace(S, o, d, FAR, h, false, 0);
        if (see_lights)
            for (int i = 0; i < S.nlight; i++) {
                float t = hit_light(S.lights + i * LIGHT_N, o, d);
                if (t > EPS && t < h.t) { h.t = t; h.kind = 2; h.index = i; }
            }
        if (h.kind < 0) { L = L + T * sky(S.cam, d); break; }
        if (h.kind == 2) {
            V e = ld(S.lights + h.index * LIGHT_N + 10);
            if (bounce > 0) { float m = fmaxf(e.x, fmaxf(e.y, e.z)), cap = bounce == 1 ? 60.f : 6.f; if (m > cap) e = e * (cap / m); }
            L = L + T * e;
            break;
        }
        Surface s;
        if (h.kind == 1) shade_cube(S.cubes + h.index * CUBE_N, h, s);
        else shade_prim(S.prims + h.index * PRIM_N, h, s);
        L = L + T * s.emit;
        V p = o + d * h.t, ng = h.n, n = s.n;
        if (dot(ng, d) > 0) ng = ng * -1.f;
        if (dot(n, ng) < 0) n = n * -1.f;
        if (dot(n, d) > -0.02f) n = unit(n - d * (dot(n, d) + 0.03f));
        V wo = d * -1.f;
        float no = fmaxf(dot(n, wo), 0.02f), a = fmaxf(s.rough * s.rough, 1e-3f), a2 = a * a;
        float m5 = 1 - no, F = s.f0 + (fmaxf(1 - s.rough, s.f0) - s.f0) * m5 * m5 * m5 * m5 * m5;
        bool rough_coat = s.rough > 0.22f;
        V po = p + ng * EPS;
        if (S.nlight > 0) {  // one lamp, chosen by power
            float r = rng.next();
            int i = 0;
            float pick = S.lights[14];
            while (i + 1 < S.nlight && r > pick) { r -= pick; i++; pick = S.lights[i * LIGHT_N + 14]; }
            const float* K = S.lights + i * LIGHT_N;
            float r1 = rng.next(), r2 = rng.next(), area, cosl;
            V q, c = ld(K + 1);
            if (K[0] < 0.5f) {
                V w = unit(c - po), t, b;
                basis(w, t, b);
                float rr = K[13] * sqrtf(r1), ph = 2 * PI * r2;
                q = c + t * (rr * cosf(ph)) + b * (rr * sinf(ph));
                area = PI * K[13] * K[13];
                cosl = 1;
            } else {
                V u = ld(K + 4), v = ld(K + 7), cr = cross(u, v);
                q = c + u * (2 * r1 - 1) + v * (2 * r2 - 1);
                area = 4 * len(cr);
                cosl = fabsf(dot(unit(cr), unit(q - po)));
            }
            V w = q - po;
            float d2 = dot(w, w), dist = sqrtf(d2);
            w = w * (1 / dist);
            float nl = dot(n, w);
            if (nl > 0 && dot(ng, w) > 0) {
                float geo = nl * cosl * area / fmaxf(d2, 1.f) / pick;
                V f = s.albedo * ((1 - F) / PI);
                if (rough_coat) {
                    V hv = unit(w + wo);
                    float nh = fmaxf(dot(n, hv), 0.f), vh = fmaxf(dot(wo, hv), 0.f), q5 = 1 - vh, Fh = s.f0 + (fmaxf(1 - s.rough, s.f0) - s.f0) * q5 * q5 * q5 * q5 * q5;
                    float vis = 0.5f / (mixf(2 * nl * no, nl + no, a));
                    float sp = ggx_d(nh, a2) * vis * Fh;
                    f = f + mk(sp, sp, sp);
                }
                Hit sh;
                if (!trace(S, po, w, dist - 2 * EPS, sh, true, 0)) {
                    V c2 = T * f * ld(K + 10) * geo;
                    float m = fmaxf(c2.x, fmaxf(c2.y, c2.z)), cap = bounce == 0 ? 40.f : 5.f;
                    if (m > cap) c2 = c2 * (cap / m);
                    L = L + c2;
                }
            }
        }
        float ps = bounce == 0 ? fmaxf(F, s.rough < 0.35f ? 0.3f : 0.12f) : fmaxf(F, 0.08f);
        if (rng.next() < ps) {
            float r1 = rng.next(), r2 = rng.next();
            float ct = sqrtf((1 - r1) / (1 + (a2 - 1) * r1)), st = sqrtf(fmaxf(1 - ct * ct, 0.f)), ph = 2 * PI * r2;
            V t, b;
            basis(n, t, b);
            V hv = t * (st * cosf(ph)) + b * (st * sinf(ph)) + n * ct;
            float vh = dot(wo, hv);
            V wi = hv * (2 * vh) - wo;
            float ni = dot(n, wi);
            if (ni <= 0 || vh <= 0 || dot(ng, wi) <= 0) break;
            float q5 = 1 - vh, Fh = s.f0 + (fmaxf(1 - s.rough, s.f0) - s.f0) * q5 * q5 * q5 * q5 * q5;
            float vis = 0.5f / (mixf(2 * ni * no, ni + no, a));
            float w = fminf(4 * vis * Fh * ni * vh / fmaxf(ct, 1e-4f) / ps, 4.f);
            T = T * w;
            d = wi;
            see_lights = !rough_coat;
        } else {
            float r1 = rng.next(), r2 = rng.next(), z = sqrtf(1 - r1), rr = sqrtf(r1), ph = 2 * PI * r2;
            V t, b;
            basis(n, t, b);
            d = unit(t * (rr * cosf(ph)) + b * (rr * sinf(ph)) + n * z);
            if (dot(ng, d) <= 0) break;
            T = T * s.albedo * ((1 - F) / (1 - ps));
            see_lights = false;
        }
        o = po;
        float m = fmaxf(T.x, fmaxf(T.y, T.z));
        if (m < 0.02f) break;
        if (bounce >= 2) { float pc = fminf(m, 0.95f); if (rng.next() > pc) break; T = T * (1 / pc); }
    }
    return L;
}

// ---- camera --------------------------------------------------------------------------------------------------
// 0 focal/width 1 centre x/width 2 centre y/height 3 k1 4-12 rows world->camera 13-15 position 16 aperture radius
// 17 focus distance 18-26 sky zenith, horizon, ground 27-40 two bright patches (direction, cos, rgb) 41 seed
HD V pixel_ray(const float* c, float x, float y, int W, int H) {  // camera frame, z = 1
    float f = c[0] * W, xd = (x - c[1] * W) / f, yd = (y - c[2] * H) / f, u = xd, v = yd;
    if (c[3] != 0)
        for (int i = 0; i < 8; i++) { float g = 1 / (1 + c[3] * (u * u + v * v)); u = xd * g; v = yd * g; }
    return mk(u, v, 1);
}
HD bool to_pixel(const float* c, V p, int W, int H, float& x, float& y) {
    V q = rot(c + 4, p - ld(c + 13));
    if (q.z < 0.1f) { x = y = -1e4f; return false; }
    float u = q.x / q.z, v = q.y / q.z, g = 1 + c[3] * (u * u + v * v), f = c[0] * W;
    x = c[1] * W + f * u * g;
    y = c[2] * H + f * v * g;
    return true;
}
HD void first_ids(const Scene& S, int px, int py, int W, int H, uint8_t& id, uint16_t& st, uint16_t& st_clear) {
    V d = unit(rot_t(S.cam + 4, pixel_ray(S.cam, px + 0.5f, py + 0.5f, W, H))), o = ld(S.cam + 13);
    Hit h;
    Surface s;
    id = 0; st = 0; st_clear = 0;
    if (trace(S, o, d, FAR, h, false, 0)) {
        if (h.kind == 1) {
            const float* q = S.cubes + h.index * CUBE_N;
            id = (uint8_t)q[14];
            if (id == 1) { shade_cube(q, h, s); st = (uint16_t)s.sticker; }
        } else id = (uint8_t)S.prims[h.index * PRIM_N + 1];
    }
    if (S.ncube > 0 && (int)S.cubes[14] == 1) {
        if (id == 1) st_clear = st;
        else if (trace(S, o, d, FAR, h, false, 2)) { shade_cube(S.cubes, h, s); st_clear = (uint16_t)s.sticker; }
    }
}
HD V pixel(const Scene& S, int px, int py, int W, int H, int spp, int bounces, uint32_t seed) {
    Rng rng;
    rng.s = pcg((uint32_t)px + pcg((uint32_t)py + pcg(seed + (uint32_t)S.cam[41])));
    V sum = mk(0, 0, 0);
    int g = (int)sqrtf((float)spp + 0.5f);
    for (int k = 0; k < spp; k++) {
        float jx, jy;
        if (k < g * g) { jx = ((k % g) + rng.next()) / g; jy = ((k / g) + rng.next()) / g; }
        else { jx = rng.next(); jy = rng.next(); }
        V d = pixel_ray(S.cam, px + jx, py + jy, W, H), o = mk(0, 0, 0);
        if (S.cam[16] > 0) {
            float r = S.cam[16] * sqrtf(rng.next()), ph = 2 * PI * rng.next();
            o = mk(r * cosf(ph), r * sinf(ph), 0);
            d = d * S.cam[17] - o;
        }
        V L = radiance(S, ld(S.cam + 13) + rot_t(S.cam + 4, o), unit(rot_t(S.cam + 4, d)), bounces, rng);
        float m = fmaxf(L.x, fmaxf(L.y, L.z));
        if (!(m >= 0)) continue;
        if (m > 60) L = L * (60 / m);
        sum = sum + L;
    }
    return sum * (1.f / spp);
}
// Share of one sticker seen through 16 points, and the pixel of its centre. s = face*25+row*5+col
HD void sticker_seen(const Scene& S, int cube, int s, int W, int H, float& share, float* xy) {
    const float* q = S.cubes + cube * CUBE_N;
    int n = (int)q[0], f = s / 25, row = (s / 5) % 5, col = s % 5, axis = (int)q[29], groups = (int)q[28];
    share = 0;
    xy[0] = xy[1] = -1e4f;
    if (row >= n || col >= n) return;
    float Hf = q[1], pitch = 2 * Hf / n;
    float face_h = Hf - q[2];
    float reach = q[4] > 0.5f ? 0.8f : q[5] * 0.9f;
    V fn = face_n(f), fu = face_u(f), fv = face_v(f), cam = ld(S.cam + 13);
    V cell = fn * (Hf - 0.5f * pitch) + fu * ((col + 0.5f) * pitch - Hf) + fv * ((row + 0.5f) * pitch - Hf);
    float along = axis == 0 ? cell.x : axis == 1 ? cell.y : cell.z;
    int idx = (int)floorf((along + Hf) / pitch);
    float cs = 1, sn = 0;
    for (int g = 0; g < groups; g++) {
        const float* G = q + 30 + 4 * g;
        if (idx >= (int)G[0] && idx < (int)G[1]) { cs = G[2]; sn = G[3]; }
    }
    V nw = rot_t(q + 19, turn_axis(fn, axis, cs, sn));
    for (int k = -1; k < 16; k++) {
        float du = k < 0 ? 0 : ((k % 4) - 1.5f) / 2.f * reach, dv = k < 0 ? 0 : ((k / 4) - 1.5f) / 2.f * reach;
        V pl = fn * face_h + fu * ((col + 0.5f + 0.5f * du) * pitch - Hf) + fv * ((row + 0.5f + 0.5f * dv) * pitch - Hf);
        V p = rot_t(q + 19, turn_axis(pl, axis, cs, sn)) + ld(q + 16);
        float x, y;
        bool in = to_pixel(S.cam, p, W, H, x, y);
        if (k < 0) { xy[0] = x; xy[1] = y; continue; }
        V w = p - cam;
        float dist = len(w);
        w = w * (1 / dist);
        if (!in || x < 0 || y < 0 || x >= W || y >= H || dot(nw, w) > -0.01f) continue;
        Hit h;
        if (!trace(S, cam, w, dist - 0.04f, h, true, 0)) share += 1.f / 16;
    }
}
}  // namespace bt
