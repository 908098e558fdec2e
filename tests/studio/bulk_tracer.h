// Path tracer for bulk pictures of cubes: scene, light, camera. One header for CPU (OpenMP) and GPU (CUDA).
#pragma once
#include "bulk_paint.h"

namespace bt {
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
    float face_h = Hf - q[2] + q[87];
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
