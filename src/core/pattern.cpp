#include "core/pattern.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>

namespace pipebeat::core {

namespace {

/// Level in dB of what repeats of line k (1-based).
std::vector<double> line_levels(const CycleLines& lines, std::size_t m) {
  std::vector<double> level(lines.lines);
  for (std::size_t k = 0; k < lines.lines; ++k) {
    const double repeating = lines.power[m][k] * std::max(lines.coherence[m][k], 0.02);
    level[k] = 10.0 * std::log10(repeating + 1e-20);
  }
  return level;
}

/// Mean level of the lines that a healthy layout lacks, between `low` and `high` times the firing
/// frequency, against the strong lines that bracket them: 0 dB is the strength of one whole pulse,
/// for every layout. -25 where the layout has no such line.
double null_level(const CycleLines& lines, std::size_t m, const Engine& engine, double low, double high) {
  const auto P = static_cast<double>(engine.positions().size());
  const std::vector<double> level = line_levels(lines, m);
  std::vector<double> at;
  std::vector<double> reference;  // level of one pulse, at the strong lines
  for (std::size_t k = 1; k <= lines.lines; ++k) {
    const double s = std::abs(engine.line(static_cast<int>(k)));
    if (s > 0.5) {
      at.push_back(static_cast<double>(k));
      reference.push_back(level[k - 1] - 20.0 * std::log10(s * P));
    }
  }
  if (at.empty()) return -25.0;
  double sum = 0.0;
  int count = 0;
  for (std::size_t k = 1; k <= lines.lines; ++k) {
    const double x = static_cast<double>(k);
    if (x < low * P || x > high * P || std::abs(engine.line(static_cast<int>(k))) > 0.3) continue;
    const auto above = std::lower_bound(at.begin(), at.end(), x);
    double r;
    if (above == at.begin()) {
      r = reference.front();
    } else if (above == at.end()) {
      r = reference.back();
    } else {
      const auto i = static_cast<std::size_t>(above - at.begin());
      const double t = (x - at[i - 1]) / (at[i] - at[i - 1]);
      r = reference[i - 1] * (1.0 - t) + reference[i] * t;
    }
    sum += level[k - 1] - r;
    ++count;
  }
  return count > 0 ? std::clamp(sum / count, -25.0, 15.0) : -25.0;
}

struct PatternMisfit {
  double healthy = 12.0;
  double one_dead = 12.0;
  double two_dead = 12.0;
  double alternating = 12.0;
  double half_dead = 12.0;
};

/// How badly line levels (dB) differ from layout patterns times a smooth pulse spectrum: root mean
/// square in dB, outliers limited. The spectrum is smoothed by penalised second differences
/// (Whittaker 1923), with the penalty scaled so that its bandwidth is about a firing frequency.
PatternMisfit pattern_misfit(const CycleLines& lines, std::size_t m, const Engine& engine) {
  const std::size_t P = engine.positions().size();
  const std::size_t K = std::min(lines.lines, 3 * P);
  PatternMisfit out;
  if (K < 4) return out;
  const std::vector<double> level = line_levels(lines, m);
  const double penalty = 5.0 * std::pow(static_cast<double>(P) / 4.0, 4.0);
  // Residual operator R = I - (I + penalty D'D)^-1, by Gauss-Jordan; K is at most 48.
  std::vector<double> a(K * K, 0.0);
  std::vector<double> inverse(K * K, 0.0);
  for (std::size_t i = 0; i < K; ++i) a[i * K + i] = inverse[i * K + i] = 1.0;
  for (std::size_t i = 0; i + 2 < K; ++i) {
    constexpr std::array<double, 3> d{1.0, -2.0, 1.0};
    for (std::size_t p = 0; p < 3; ++p) {
      for (std::size_t q = 0; q < 3; ++q) a[(i + p) * K + i + q] += penalty * d[p] * d[q];
    }
  }
  for (std::size_t i = 0; i < K; ++i) {
    const double pivot = a[i * K + i];
    for (std::size_t j = 0; j < K; ++j) {
      a[i * K + j] /= pivot;
      inverse[i * K + j] /= pivot;
    }
    for (std::size_t r = 0; r < K; ++r) {
      if (r == i) continue;
      const double f = a[r * K + i];
      if (f == 0.0) continue;
      for (std::size_t j = 0; j < K; ++j) {
        a[r * K + j] -= f * a[i * K + j];
        inverse[r * K + j] -= f * inverse[i * K + j];
      }
    }
  }
  // Lines as phasors of each position, once.
  std::vector<std::complex<double>> phasor(K * P);
  for (std::size_t k = 0; k < K; ++k) {
    for (std::size_t p = 0; p < P; ++p) {
      const double angle = engine.positions()[p].angle.value() / engine.cycle().value();
      phasor[k * P + p] = std::polar(1.0 / static_cast<double>(P), -2.0 * std::numbers::pi * static_cast<double>(k + 1) * angle);
    }
  }
  // No engine is perfectly even: a floor under every pattern, about a third of one pulse.
  const double floor = 0.35 * 0.35 / static_cast<double>(P);
  std::vector<double> z(K);
  const auto misfit = [&](const std::vector<double>& strength) {
    for (std::size_t k = 0; k < K; ++k) {
      std::complex<double> s{};
      for (std::size_t p = 0; p < P; ++p) s += strength[p] * phasor[k * P + p];
      z[k] = level[k] - 10.0 * std::log10(std::norm(s) + floor);
    }
    double sum = 0.0;
    for (std::size_t i = 0; i < K; ++i) {
      double smooth = 0.0;
      for (std::size_t j = 0; j < K; ++j) smooth += inverse[i * K + j] * z[j];
      const double r = std::min(std::abs(z[i] - smooth), 12.0);
      sum += r * r;
    }
    return std::sqrt(sum / static_cast<double>(K));
  };
  constexpr double gulp = -0.1;  // a cylinder that does not burn draws a little gas inwards
  std::vector<double> strength(P, 1.0);
  out.healthy = misfit(strength);
  for (std::size_t i = 0; i < P; ++i) {
    strength[i] = gulp;
    out.one_dead = std::min(out.one_dead, misfit(strength));
    if (P >= 4) {
      for (std::size_t j = 0; j < i; ++j) {
        strength[j] = gulp;
        out.two_dead = std::min(out.two_dead, misfit(strength));
        strength[j] = 1.0;
      }
    }
    strength[i] = 1.0;
  }
  if (P % 2 == 0 && P >= 4) {
    for (std::size_t i = 0; i < P; i += 2) strength[i] = 0.5;
    out.alternating = misfit(strength);
    for (std::size_t i = 0; i < P; i += 2) strength[i] = gulp;
    out.half_dead = misfit(strength);
  }
  out.two_dead = std::min(out.two_dead, P >= 4 ? out.two_dead : out.one_dead);
  return out;
}

double mean_coherence(const CycleLines& lines, std::size_t m, std::size_t last) {
  double sum = 0.0;
  const std::size_t K = std::min(last, lines.lines);
  for (std::size_t k = 0; k < K; ++k) sum += std::max(0.0, lines.coherence[m][k]);
  return K > 0 ? sum / static_cast<double>(K) : 0.0;
}

}  // namespace

Evidence gather_evidence(const CycleLines& lines, const PulseFit& pulses, const Engine& engine,
                         const Folded& folded, const std::vector<bool>& running,
                         const EventCrowd& crowd, const SpeedCandidate& speed) {
  const std::size_t P = engine.positions().size();
  const auto min_level = [&](std::size_t m) {
    const auto& l = pulses.signal[m].level;
    return l.empty() ? 1.0 : std::clamp(*std::min_element(l.begin(), l.end()), -1.0, 1.0);
  };
  const PatternMisfit low = pattern_misfit(lines, 0, engine);
  const PatternMisfit e1 = pattern_misfit(lines, 1, engine);
  const PatternMisfit e3 = pattern_misfit(lines, 3, engine);
  const PatternMisfit e4 = pattern_misfit(lines, 4, engine);

  // Speed from cycle to cycle: jitter, and whether it drops faster than it recovers.
  std::vector<double> change;
  double repeat = 0.0;
  double count = 1e-9;
  for (std::size_t c = 1; c < folded.cycles; ++c) {
    if (!running[c] || !running[c - 1]) continue;
    const double before = folded.start_s[c] - folded.start_s[c - 1];
    const double now = folded.start_s[c + 1] - folded.start_s[c];
    change.push_back(std::log(before / now));
    repeat += lines.repeat[c];
    count += 1.0;
  }
  double jitter = 1e-9;
  double sag = 0.0;
  for (double x : change) jitter += std::abs(x) / static_cast<double>(change.size());
  for (double x : change) sag -= std::pow(x / jitter, 3.0) / static_cast<double>(change.size());

  double unevenness = 0.0;
  const double even = engine.cycle().value() / static_cast<double>(P);
  for (std::size_t p = 0; p < P; ++p) {
    const double next = p + 1 < P ? engine.positions()[p + 1].angle.value() : engine.cycle().value();
    const double step = (next - engine.positions()[p].angle.value()) / even - 1.0;
    unevenness += step * step / static_cast<double>(P);
  }
  const auto noise = [&](std::size_t m) { return std::log(std::clamp(pulses.signal[m].event_noise, 0.02, 5.0)); };
  return {null_level(lines, 0, engine, 0.2, 1.0),
          null_level(lines, 0, engine, 1.0, 2.0),
          null_level(lines, 0, engine, 2.0, 3.0),
          null_level(lines, 1, engine, 1.0, 2.0),
          null_level(lines, 3, engine, 1.0, 2.0),
          null_level(lines, 4, engine, 1.0, 2.0),
          low.healthy, low.one_dead, low.two_dead, low.alternating,
          e1.healthy, e1.one_dead, e3.healthy, e3.one_dead, e4.healthy, e4.one_dead,
          min_level(0), min_level(1), min_level(3), min_level(4),
          pulses.signal[0].explained, pulses.signal[4].explained,
          noise(0), noise(1), noise(3), noise(4),
          mean_coherence(lines, 0, 2 * P), mean_coherence(lines, 1, 2 * P),
          mean_coherence(lines, 3, 2 * P), mean_coherence(lines, 4, 2 * P),
          repeat / count, std::log(static_cast<double>(P)), std::log(std::max(speed.mean_rpm, 1.0) / 800.0),
          std::sqrt(unevenness),
          std::log(std::clamp(jitter, 1e-4, 0.2)), std::clamp(sag, -5.0, 5.0),
          crowd.tail, crowd.gap, crowd.share, crowd.focus, crowd.pairs,
          std::log(count),
          speed.features[1], speed.features[3], speed.features[5], speed.features[11]};
}

namespace {

// Fitted by tools/fit; rows: verdicts in enum order, columns: intercept, then evidence_names.
#include "core/verdict_table.inc"

}  // namespace

VerdictProbabilities judge_pattern(const Evidence& evidence) {
  VerdictProbabilities p{};
  double top = -1e30;
  for (std::size_t v = 0; v < p.size(); ++v) {
    double s = verdict_table[v][0];
    for (std::size_t i = 0; i < evidence_count; ++i) {
      const double x = std::isfinite(evidence[i]) ? evidence[i] : evidence_centre[i];
      s += verdict_table[v][i + 1] * (x - evidence_centre[i]) / evidence_scale[i];
    }
    p[v] = s;
    top = std::max(top, s);
  }
  double sum = 0.0;
  for (double& s : p) sum += s = std::exp(s - top);
  for (double& s : p) s /= sum;
  return p;
}

int dead_positions(const CycleLines& lines, const Engine& engine) {
  const PatternMisfit low = pattern_misfit(lines, 0, engine);
  const auto P = static_cast<int>(engine.positions().size());
  if (P >= 4 && low.half_dead < 0.85 * std::min(low.one_dead, low.two_dead)) return P / 2;
  return P >= 4 && low.two_dead < 0.9 * low.one_dead ? 2 : 1;
}

}  // namespace pipebeat::core
