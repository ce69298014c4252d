% Independent reference for models/cycle: three full cycles with heat transfer.
% Run: octave-cli --no-gui cycle.m > cycle.csv
%
% Nothing is shared with the Go code but the published formulas: specific heats come from the Shomate equations of the
% NIST Chemistry WebBook instead of NASA polynomials, the first law is integrated for pressure (not temperature) by
% lsode at a relative tolerance of 1e-9, the end gas through its own differential equation, energies by quadrature.
1;

function cp = shomate(c, T)             % J/(mol K)
  t = T / 1000;
  cp = c(1) + c(2)*t + c(3)*t.^2 + c(4)*t.^3 + c(5)./t.^2;
end

function cp = cp_species(name, T)
  switch name
    case "O2"
      if T < 700, c = [31.32234 -20.23531 57.86644 -36.50624 -0.007374];
      elseif T < 2000, c = [30.03235 8.772972 -3.988133 0.788313 -0.741599];
      else c = [20.91111 10.72071 -2.020498 0.146449 9.245722]; end
    case "N2"
      if T < 500, c = [28.98641 1.853978 -9.647459 16.63537 0.000117];
      elseif T < 2000, c = [19.50583 19.88705 -8.598535 1.369784 0.527601];
      else c = [35.51872 1.128728 -0.196103 0.014662 -4.553760]; end
    case "CO2"
      if T < 1200, c = [24.99735 55.18696 -33.69137 7.948387 -0.136638];
      else c = [58.16639 2.720074 -0.492289 0.038844 -6.447293]; end
    case "H2O"
      if T < 1700, c = [30.09200 6.832514 6.793435 -2.534480 0.082139];
      else c = [41.96426 8.622053 -1.499780 0.098119 -11.15764]; end
    case "CO"
      if T < 1300, c = [25.56759 6.096130 4.054656 -2.671301 0.131021];
      else c = [35.15070 1.300095 -0.205921 0.013550 -3.282780]; end
    case "H2"
      if T < 1000, c = [33.066178 -11.363417 11.432816 -2.772874 -0.158558];
      else c = [18.563083 12.257357 -2.859786 0.268238 1.977990]; end
    case "isooctane"
      cp = -7.461 + 0.7779*T - 4.287e-4*T^2 + 9.173e-8*T^3; return
    case "ethanol"
      cp = 9.014 + 0.2141*T - 8.390e-5*T^2 + 1.373e-9*T^3; return
  end
  cp = shomate(c, T);
end

function cp = cp_mix(names, n, T)       % J/(kg K), n in mol a kg
  cp = 0;
  for i = 1:numel(names), cp = cp + n(i) * cp_species(names{i}, T); end
end

function tab = tables(names, nu, nb, Ru, Rb)   % cp of both gases and the difference of energies, every kelvin
  tab.T = (200:4000)';
  tab.cu = arrayfun(@(T) cp_mix(names, nu, T), tab.T);
  tab.cb = arrayfun(@(T) cp_mix(names, nb, T), tab.T);
  du = cumtrapz(tab.T, (tab.cb - Rb) - (tab.cu - Ru));
  tab.du = du - interp1(tab.T, du, 298.15);      % J/kg, zero at 298.15 K
end

function v = at_kelvin(y, T)                        % straight lines between kelvins from 200 K
  i = floor(T); w = T - i; k = i - 199;
  v = (1-w)*y(k) + w*y(k+1);
end

function [V, dV] = volume(g, deg)       % m^3, m^3/deg
  th = deg*pi/180; a = g.stroke/2; A = pi/4*g.bore^2; Vd = A*g.stroke;
  root = sqrt(g.rod^2 - a^2*sin(th)^2);
  V = Vd/(g.cr - 1) + A*(a + g.rod - a*cos(th) - root);
  dV = A*(a*sin(th) + a^2*sin(th)*cos(th)/root)*pi/180;
end

function f = fuel_props(share, ron)     % base gasoline CH1.87 and ethanol by volume
  mb = (1-share)*745; me = share*794; w = me/(mb+me);
  nb = mb/0.110; ne = me/0.04607;
  cb = (1-w)/(12.011e-3 + 1.87*1.008e-3); ce = w/(12.011e-3 + 3*1.008e-3 + 0.5*16e-3);
  f.w = w; f.y = (cb*1.87 + ce*3)/(cb+ce); f.z = ce*0.5/(cb+ce);
  f.M = (mb+me)/(nb+ne);
  f.lhv = (1-w)*44e6 + w*26.9e6; f.hov = (1-w)*350e3 + w*840e3;
  f.stoich = 34.56*(4+f.y-2*f.z)/(12.011+1.008*f.y+16*f.z);
end

function SL = flame_speed(lambda, x, T, p)
  phi = 1/lambda;
  SL = (0.2758 - 0.7834*(phi-1.13)^2) * (T/298)^(2.18 - 0.8*(phi-1)) * (p/101325)^(-0.16 + 0.22*(phi-1)) * (1 - 2.06*x^0.77);
end

function c = trapped(g, s)              % what is in the cylinder at intake-valve closing
  f = fuel_props(s.ethanol, 95);
  perC = 12.011e-3 + 1.008e-3*f.y + 16e-3*f.z;
  o2s = 1 + f.y/4 - f.z/2; o2 = s.lambda*o2s; n2 = 3.773*o2;
  kg = 1/(perC + o2*31.999e-3 + n2*28.16e-3);
  co = 0; h2 = 0; q = f.lhv + f.hov;
  if s.lambda < 1
    miss = 2*o2s*(1-s.lambda);
    co = fzero(@(c) (f.y/2 - miss + c)*c - 3.5*(1-c)*(miss-c), [max(0, miss-f.y/2)+1e-12, min(1, miss)-1e-12]);
    h2 = miss - co;
    q = q - (co*282.98e3 + h2*241.82e3)/perC;
  end
  c.names = {"O2","N2","isooctane","ethanol","CO2","H2O","CO","H2"};
  mf = perC*kg;
  fresh = [o2*kg, n2*kg, mf*(1-f.w)/0.11423, mf*f.w/0.04607, 0, 0, 0, 0];
  c.nb = [max(0, o2-o2s)*kg, n2*kg, 0, 0, (1-co)*kg, (f.y/2-h2)*kg, co*kg, h2*kg];
  R = 8.314462618;
  c.Rb = sum(c.nb)*R;
  Rfresh = (o2 + n2)*kg*R + mf/f.M*R;   % the fuel's own molar mass counts for R
  fuel = s.air/(s.lambda*f.stoich);
  pe = max(105e3, 1.15*s.pm);
  Vc = pi/4*g.bore^2*g.stroke/(g.cr-1);
  left = pe*Vc/(c.Rb*1000);
  c.x = left/(s.air + fuel + left);
  c.m = (s.air + fuel)/(1 - c.x);
  c.nu = (1-c.x)*fresh + c.x*c.nb;
  c.Ru = (1-c.x)*Rfresh + c.x*c.Rb;
  c.q = 0.97*fuel*q/c.m;
  warm = s.tc + 0.2*(s.tcool - s.tc);
  mixed = (1-c.x)*warm + c.x*1000;
  c.Tivc = mixed - s.evap*fuel*f.hov/(c.m*cp_mix(c.names, c.nu, mixed));
  c.Vivc = volume(g, g.ivc);
  c.pivc = c.m*c.Ru*c.Tivc/c.Vivc;
end

function [a, b] = burn_index(g, s, c, lag)
  n = 1.32;
  V0 = volume(g, -s.spark); T0 = c.Tivc*(c.Vivc/V0)^(n-1); p0 = c.pivc*(c.Vivc/V0)^n;
  nu0 = T0^1.7/p0;
  a = (s.rpm*nu0)^(1/3) * (V0/flame_speed(s.lambda, c.x, T0, p0))^(2/3);
  if isempty(lag), b = 0; return, end
  half = lag - s.spark + (log(2)/5)^(1/3)*g.duration*(s.rpm/g.rpm0)^(1/3);
  V = volume(g, half); T = c.Tivc*(c.Vivc/V)^(n-1); p = c.pivc*(c.Vivc/V)^n;
  b = 1/V*(V/V0)^(10/9) * (s.rpm*T^1.7/p)^(1/3) * (V0/flame_speed(s.lambda, c.x, T, p))^(2/3);
end

function dy = first_law(y, deg, g, s, c)
  % y = [p, T_end gas, work, heat lost, knock integral]
  [V, dV] = volume(g, deg);
  t = max(0, (deg - c.start)/c.dur);
  x = 1 - exp(-5*t^3); dx = 15*t^2*exp(-5*t^3)/c.dur;
  R = (1-x)*c.Ru + x*c.Rb; dR = (c.Rb - c.Ru)*dx;
  T = y(1)*V/(c.m*R);
  cvu = at_kelvin(c.tab.cu, T) - c.Ru; cvb = at_kelvin(c.tab.cb, T) - c.Rb;
  cv = (1-x)*cvu + x*cvb;
  du = at_kelvin(c.tab.du, T);
  w = 2.28*2*g.stroke*s.rpm/60;
  if deg > c.start
    Vd = pi/4*g.bore^2*g.stroke;
    w = w + 3.24e-3*Vd*c.Tivc/(c.pivc*c.Vivc)*max(0, y(1) - c.pstart*(c.Vstart/V)^1.32);
  end
  h = 3.26*g.bore^-0.2*(y(1)/1e3)^0.8*T^-0.55*w^0.8;
  area = pi/2*g.bore^2 + 4*V/g.bore;
  lost = h*area*(T - s.tcool - 80)/(6*s.rpm);
  % m cv dT = m (q - du) dx - p dV - lost; p = m R T / V
  dT = (c.m*(c.q - du)*dx - y(1)*dV - lost)/(c.m*cv);
  dp = y(1)*(dT/T + dR/R - dV/V);
  cpu = at_kelvin(c.tab.cu, y(2));
  dTu = y(2)*c.Ru/cpu*dp/y(1);
  tau = 17.68*(s.on/100)^3.402*(y(1)/101325)^-1.7*exp(3800/y(2));
  dy = [dp; dTu; y(1)*dV; lost; 1000/(6*s.rpm)/tau];
end

g = struct("bore", 0.0825, "stroke", 0.0928, "rod", 0.144, "cr", 9.6, "ivc", -140, "evo", 130, ...
           "rpm0", 3000, "lag", 12, "duration", 48);
Vd = pi/4*g.bore^2*g.stroke;
a0 = struct("rpm", 3000, "air", 1.5*1.184*Vd, "lambda", 0.9, "spark", 10, "tc", 313.15, "tcool", 363.15, "ethanol", 0, "evap", 0.7);
a0.pm = a0.air*8.314462618/28.9655e-3*a0.tc/Vd;
c0 = trapped(g, a0);
[lag0, dur0] = burn_index(g, a0, c0, g.lag);

cases = [ % rpm, air in units of 1.184 kg/m3 Vd, manifold Pa, charge K, coolant K, lambda, spark, ethanol, octane
  2000 1.20 130e3 310 360 0.98 14 0.10  97
  3500 1.80 200e3 320 365 0.85 12 0.10  98
  6000 1.60 185e3 325 368 0.80 18 0.50 104 ];
printf("case,peak_bar,peak_deg,work_J,lost_J,t_evo_K,knock,lag_deg,duration_deg,residual,t_ivc_K,mass_mg\n");
for k = 1:rows(cases)
  v = cases(k, :);
  s = struct("rpm", v(1), "air", v(2)*1.184*Vd, "pm", v(3), "tc", v(4), "tcool", v(5), "lambda", v(6), ...
             "spark", v(7), "ethanol", v(8), "on", v(9), "evap", 0.7);
  c = trapped(g, s);
  c.tab = tables(c.names, c.nu, c.nb, c.Ru, c.Rb);
  lag = g.lag*burn_index(g, s, c, [])/lag0;
  [~, d] = burn_index(g, s, c, lag);
  c.dur = g.duration*d/dur0; c.start = lag - s.spark;
  c.pstart = 0; c.Vstart = volume(g, c.start);
  lsode_options("relative tolerance", 1e-9); lsode_options("absolute tolerance", 1e-9);
  before = linspace(g.ivc, c.start, 100);
  y1 = lsode(@(y, t) first_law(y, t, g, s, c), [c.pivc; c.Tivc; 0; 0; 0], before);
  c.pstart = y1(end, 1);
  at85 = c.start + c.dur*(-log(0.15)/5)^(1/3);
  after = unique([linspace(c.start, g.evo, 1500), at85]);
  y2 = lsode(@(y, t) first_law(y, t, g, s, c), y1(end, :)', after);
  [pmax, i] = max(y2(:, 1));
  q = polyfit(after(i-2:i+2) - after(i), y2(i-2:i+2, 1)', 2);
  apex = -q(2)/(2*q(1)); pmax = polyval(q, apex);
  VE = volume(g, g.evo);
  printf("%d,%.4f,%.3f,%.3f,%.3f,%.2f,%.5f,%.4f,%.4f,%.6f,%.3f,%.4f\n", k, pmax/1e5, after(i)+apex, y2(end,3), y2(end,4), ...
         y2(end,1)*VE/(c.m*c.Rb), interp1(after, y2(:,5), at85), lag, c.dur, c.x, c.Tivc, c.m*1e6);
end
