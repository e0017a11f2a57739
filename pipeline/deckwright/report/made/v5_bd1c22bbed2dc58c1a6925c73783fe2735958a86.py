from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'pieces.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    l_0_verdict = l_0_equation = l_0_wide = l_0_number = l_0_heads = l_0_card = l_0_bar = l_0_reasons = l_0_plot = missing
    try:
        t_1 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_2 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_3 = environment.filters['max']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'max' found.")
    try:
        t_4 = environment.filters['min']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'min' found.")
    try:
        t_5 = environment.filters['percent']
    except KeyError:
        @internalcode
        def t_5(*unused):
            raise TemplateRuntimeError("No filter named 'percent' found.")
    try:
        t_6 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_6(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    try:
        t_7 = environment.filters['round']
    except KeyError:
        @internalcode
        def t_7(*unused):
            raise TemplateRuntimeError("No filter named 'round' found.")
    pass
    yield '\n'
    def macro(l_1_sign, l_1_words, l_1_terms, l_1_state, l_1_after):
        t_8 = []
        if l_1_sign is missing:
            l_1_sign = undefined("parameter 'sign' was not provided", name='sign')
        if l_1_words is missing:
            l_1_words = undefined("parameter 'words' was not provided", name='words')
        if l_1_terms is missing:
            l_1_terms = undefined("parameter 'terms' was not provided", name='terms')
        if l_1_state is missing:
            l_1_state = ''
        if l_1_after is missing:
            l_1_after = ''
        pass
        t_8.extend((
            '<section class="verdict ',
            escape(environment.finalize(l_1_state)),
            '" aria-label="Verdict"><p class="says">',
            escape(environment.finalize(l_1_sign)),
            '<span>',
            escape(environment.finalize(l_1_words)),
            '</span></p>\n',
        ))
        if l_1_terms:
            pass
            t_8.append(
                escape(environment.finalize(context.call((undefined(name='equation') if l_0_equation is missing else l_0_equation), l_1_terms))),
            )
        if l_1_after:
            pass
            t_8.extend((
                '<p class="soft">',
                escape(environment.finalize(l_1_after)),
                '</p>',
            ))
        t_8.append(
            '</section>\n',
        )
        return concat(t_8)
    context.exported_vars.add('verdict')
    context.vars['verdict'] = l_0_verdict = Macro(environment, macro, 'verdict', ('sign', 'words', 'terms', 'state', 'after'), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_sides):
        t_9 = []
        l_1_namespace = resolve('namespace')
        l_1_length = missing
        if l_1_sides is missing:
            l_1_sides = undefined("parameter 'sides' was not provided", name='sides')
        pass
        l_1_length = context.call((undefined(name='namespace') if l_1_namespace is missing else l_1_namespace), all=0)
        for l_2_side in l_1_sides:
            _loop_vars = {}
            pass
            for (l_3__, l_3_number, l_3__) in l_2_side:
                _loop_vars = {}
                pass
                if not isinstance(l_1_length, Namespace):
                    raise TemplateRuntimeError("cannot assign attribute on non-namespace object")
                l_1_length['all'] = ((environment.getattr((undefined(name='length') if l_1_length is missing else l_1_length), 'all') + t_2(t_1(l_3_number))) + 2)
            l_3__ = l_3_number = missing
        l_2_side = missing
        t_9.extend((
            '<div class="equation',
            escape(environment.finalize((' longer' if (environment.getattr((undefined(name='length') if l_1_length is missing else l_1_length), 'all') > 44) else (' long' if (environment.getattr((undefined(name='length') if l_1_length is missing else l_1_length), 'all') > 30) else '')))),
            '">\n',
        ))
        for l_2_side in l_1_sides:
            _loop_vars = {}
            pass
            t_9.append(
                '<div class="side">\n',
            )
            for (l_3_sign, l_3_number, l_3_words) in l_2_side:
                _loop_vars = {}
                pass
                t_9.extend((
                    '<div class="term"><span class="sign">',
                    escape(environment.finalize(l_3_sign)),
                    '</span><span class="big">',
                    escape(environment.finalize(t_1(l_3_number))),
                    '</span><small>',
                    escape(environment.finalize(l_3_words)),
                    '</small></div>\n',
                ))
            l_3_sign = l_3_number = l_3_words = missing
            t_9.append(
                '</div>\n',
            )
        l_2_side = missing
        t_9.append(
            '</div>\n',
        )
        return concat(t_9)
    context.exported_vars.add('equation')
    context.vars['equation'] = l_0_equation = Macro(environment, macro, 'equation', ('sides',), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_name, l_1_caller):
        t_10 = []
        if l_1_name is missing:
            l_1_name = undefined("parameter 'name' was not provided", name='name')
        pass
        t_10.extend((
            '<div class="wide" role="region" aria-label="',
            escape(environment.finalize(l_1_name)),
            '" tabindex="0">',
            escape(environment.finalize(context.call(l_1_caller))),
            '</div>\n',
        ))
        return concat(t_10)
    context.exported_vars.add('wide')
    context.vars['wide'] = l_0_wide = Macro(environment, macro, 'wide', ('name',), False, False, True, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_value):
        t_11 = []
        if l_1_value is missing:
            l_1_value = undefined("parameter 'value' was not provided", name='value')
        pass
        t_11.extend((
            '<td class="n',
            escape(environment.finalize(('' if l_1_value else ' nil'))),
            '">',
            escape(environment.finalize(t_1(l_1_value))),
            '</td>',
        ))
        return concat(t_11)
    context.exported_vars.add('number')
    context.vars['number'] = l_0_number = Macro(environment, macro, 'number', ('value',), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_names, l_1_numbers):
        t_12 = []
        if l_1_names is missing:
            l_1_names = undefined("parameter 'names' was not provided", name='names')
        if l_1_numbers is missing:
            l_1_numbers = ()
        pass
        t_12.append(
            '<thead><tr>',
        )
        l_2_loop = missing
        for l_2_name, l_2_loop in LoopContext(l_1_names, undefined):
            _loop_vars = {}
            pass
            t_12.append(
                '<th scope="col"',
            )
            if (environment.getattr(l_2_loop, 'index0') in l_1_numbers):
                pass
                t_12.append(
                    ' class="n"',
                )
            t_12.extend((
                '>',
                escape(environment.finalize(l_2_name)),
                '</th>',
            ))
        l_2_loop = l_2_name = missing
        t_12.append(
            '</tr></thead>\n',
        )
        return concat(t_12)
    context.exported_vars.add('heads')
    context.vars['heads'] = l_0_heads = Macro(environment, macro, 'heads', ('names', 'numbers'), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_one):
        t_13 = []
        if l_1_one is missing:
            l_1_one = undefined("parameter 'one' was not provided", name='one')
        pass
        t_13.extend((
            '<figure><figcaption>',
            escape(environment.finalize(environment.getattr(l_1_one, 'name'))),
        ))
        if environment.getattr(l_1_one, 'number'):
            pass
            t_13.extend((
                ' <small>',
                escape(environment.finalize(environment.getattr(l_1_one, 'number'))),
                '</small>',
            ))
        t_13.append(
            '</figcaption>\n',
        )
        if environment.getattr(l_1_one, 'picture'):
            pass
            t_13.extend((
                '<img alt="',
                escape(environment.finalize(environment.getattr(l_1_one, 'name'))),
                ', as it was photographed" src="',
                escape(environment.finalize(environment.getattr(l_1_one, 'picture'))),
                '">',
            ))
        t_13.extend((
            escape(environment.finalize(environment.getattr(l_1_one, 'drawing'))),
            '\n',
        ))
        if environment.getattr(l_1_one, 'rows'):
            pass
            def macro():
                t_14 = []
                pass
                t_14.append(
                    '<pre>',
                )
                for l_3_row in environment.getattr(l_1_one, 'rows'):
                    _loop_vars = {}
                    pass
                    t_14.extend((
                        '<i>',
                        escape(environment.finalize(environment.getattr(l_3_row, 'ruler'))),
                        '</i>\n       ',
                        escape(environment.finalize(environment.getattr(l_3_row, 'text'))),
                        '\n',
                    ))
                    if environment.getattr(l_3_row, 'under'):
                        pass
                        t_14.extend((
                            '       ',
                            escape(environment.finalize(environment.getattr(l_3_row, 'under'))),
                            '\n',
                        ))
                l_3_row = missing
                t_14.append(
                    '</pre>',
                )
                return concat(t_14)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            t_13.append(context.call((undefined(name='wide') if l_0_wide is missing else l_0_wide), markup_join((environment.getattr(l_1_one, 'name'), ', as text', )), caller=caller))
            if environment.getattr(l_1_one, 'left_out'):
                pass
                t_13.extend((
                    '<p class="soft">',
                    escape(environment.finalize(t_6(environment.getattr(l_1_one, 'left_out'), 'further row'))),
                    ' of this record not shown.</p>',
                ))
        if environment.getattr(l_1_one, 'reasons'):
            pass
            t_13.append(
                '<ol class="why">',
            )
            for l_2_line in environment.getattr(l_1_one, 'reasons'):
                _loop_vars = {}
                pass
                t_13.extend((
                    '<li>',
                    escape(environment.finalize(l_2_line)),
                    '</li>\n',
                ))
            l_2_line = missing
            t_13.append(
                '</ol>',
            )
        if environment.getattr(l_1_one, 'notes'):
            pass
            t_13.append(
                '<ul class="why">',
            )
            for l_2_line in environment.getattr(l_1_one, 'notes'):
                _loop_vars = {}
                pass
                t_13.extend((
                    '<li>',
                    escape(environment.finalize(l_2_line)),
                    '</li>\n',
                ))
            l_2_line = missing
            t_13.append(
                '</ul>',
            )
        t_13.append(
            '</figure>\n',
        )
        return concat(t_13)
    context.exported_vars.add('card')
    context.vars['card'] = l_0_card = Macro(environment, macro, 'card', ('one',), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_part, l_1_whole, l_1_says):
        t_15 = []
        if l_1_part is missing:
            l_1_part = undefined("parameter 'part' was not provided", name='part')
        if l_1_whole is missing:
            l_1_whole = undefined("parameter 'whole' was not provided", name='whole')
        if l_1_says is missing:
            l_1_says = undefined("parameter 'says' was not provided", name='says')
        pass
        t_15.extend((
            '<td class="bar"><svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true"><path d="M0 0h',
            escape(environment.finalize((t_7(t_4(environment, [t_3(environment, [((100 * l_1_part) / l_1_whole), 1]), 100]), 2) if l_1_whole else 0))),
            'v10H0z" fill="currentColor"/></svg><span class="unseen">',
            escape(environment.finalize(l_1_says)),
            '</span></td>',
        ))
        return concat(t_15)
    context.exported_vars.add('bar')
    context.vars['bar'] = l_0_bar = Macro(environment, macro, 'bar', ('part', 'whole', 'says'), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_lines, l_1_name, l_1_bars):
        t_16 = []
        if l_1_lines is missing:
            l_1_lines = undefined("parameter 'lines' was not provided", name='lines')
        if l_1_name is missing:
            l_1_name = undefined("parameter 'name' was not provided", name='name')
        if l_1_bars is missing:
            l_1_bars = 0
        pass
        def macro():
            t_17 = []
            pass
            t_17.extend((
                '<table class="reasons">\n',
                escape(environment.finalize(context.call((undefined(name='heads') if l_0_heads is missing else l_0_heads), ['Cards', ('Share' if l_1_bars else 'Weight'), 'Reason', 'Field', 'Stage'], (0,)))),
                '\n<tbody>\n',
            ))
            for l_3_line in l_1_lines:
                _loop_vars = {}
                pass
                t_17.extend((
                    '<tr>',
                    escape(environment.finalize(context.call((undefined(name='number') if l_0_number is missing else l_0_number), environment.getattr(l_3_line, 'count'), _loop_vars=_loop_vars))),
                ))
                if l_1_bars:
                    pass
                    t_17.append(
                        escape(environment.finalize(context.call((undefined(name='bar') if l_0_bar is missing else l_0_bar), environment.getattr(l_3_line, 'count'), l_1_bars, t_5((environment.getattr(l_3_line, 'count') / l_1_bars)), _loop_vars=_loop_vars))),
                    )
                else:
                    pass
                    t_17.extend((
                        '<td>',
                        escape(environment.finalize(environment.getattr(l_3_line, 'severity'))),
                        '</td>',
                    ))
                t_17.extend((
                    '<td>',
                    escape(environment.finalize((environment.getattr(l_3_line, 'sentence') or environment.getattr(l_3_line, 'reason')))),
                    '<small class="code">',
                    escape(environment.finalize(environment.getattr(l_3_line, 'reason'))),
                    '</small></td><td class="mono">',
                    escape(environment.finalize((environment.getattr(l_3_line, 'field') or '–'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_3_line, 'stage'))),
                    '</td></tr>\n',
                ))
            l_3_line = missing
            t_17.append(
                '</tbody></table>',
            )
            return concat(t_17)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        t_16.append(context.call((undefined(name='wide') if l_0_wide is missing else l_0_wide), l_1_name, caller=caller))
        return concat(t_16)
    context.exported_vars.add('reasons')
    context.vars['reasons'] = l_0_reasons = Macro(environment, macro, 'reasons', ('lines', 'name', 'bars'), False, False, False, context.eval_ctx.autoescape)
    yield '\n'
    def macro(l_1_one, l_1_name, l_1_axis):
        t_18 = []
        if l_1_one is missing:
            l_1_one = undefined("parameter 'one' was not provided", name='one')
        if l_1_name is missing:
            l_1_name = undefined("parameter 'name' was not provided", name='name')
        if l_1_axis is missing:
            l_1_axis = undefined("parameter 'axis' was not provided", name='axis')
        pass
        t_18.extend((
            '<figure class="plot ',
            escape(environment.finalize(l_1_axis)),
            '"><figcaption>',
            escape(environment.finalize(l_1_name)),
            '</figcaption>\n<p class="most"><small>',
            escape(environment.finalize(environment.getattr(l_1_one, 'most'))),
            '</small></p>',
            escape(environment.finalize(environment.getattr(l_1_one, 'svg'))),
            '\n',
        ))
        if environment.getattr(l_1_one, 'is_card'):
            pass
            t_18.append(
                '<p class="ticks" aria-hidden="true">',
            )
            for l_2_tick in [1, 10, 20, 30, 40, 50, 60, 70, 80]:
                _loop_vars = {}
                pass
                t_18.extend((
                    '<span>',
                    escape(environment.finalize(l_2_tick)),
                    '</span>',
                ))
            l_2_tick = missing
            t_18.append(
                '</p>\n',
            )
        else:
            pass
            t_18.extend((
                '<p class="ends" aria-hidden="true"><span>',
                escape(environment.finalize(environment.getitem(environment.getattr(l_1_one, 'ends'), 0))),
                '</span><span>',
                escape(environment.finalize(environment.getitem(environment.getattr(l_1_one, 'ends'), 1))),
                '</span></p>',
            ))
        t_18.extend((
            '<p>',
            escape(environment.finalize(environment.getattr(l_1_one, 'says'))),
            '</p></figure>\n',
        ))
        return concat(t_18)
    context.exported_vars.add('plot')
    context.vars['plot'] = l_0_plot = Macro(environment, macro, 'plot', ('one', 'name', 'axis'), False, False, False, context.eval_ctx.autoescape)
    yield '\n'

blocks = {}
debug_info = '3=55&5=70&6=77&7=82&10=96&11=103&12=104&13=112&15=117&16=120&17=126&18=131&23=150&24=157&27=166&29=182&30=193&33=217&34=224&35=236&36=246&37=249&38=264&39=267&37=280&41=281&43=288&45=305&50=329&51=340&54=349&55=358&56=363&58=366&59=371&60=373&61=382&62=387&55=402&67=407&68=418&69=422&70=427&71=448&72=455'
